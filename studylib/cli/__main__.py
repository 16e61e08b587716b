"""`python -P -m studylib.cli` is the `study` command.

Without -P Python itself puts the caller's folder on the path before this file is read, and would
import what lies there.
"""

from studylib.cli import main

main()
