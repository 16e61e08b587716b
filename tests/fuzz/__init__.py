"""Broken sheets and recordings by the thousand: whatever comes, a sentence or a result, never a
fault of the program. `python -m tests.fuzz --sheets 10000 --recordings 5000` is the long form."""
