"""Signal processing and statistics for a reproducible study of boards of several woods."""
