"""Real recordings that nobody here made: taken out of packages, measured twice, and compared."""
