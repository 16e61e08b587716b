"""`python -m studylib.cli` is the `study` command."""

from studylib.cli import main

main()
