#!/usr/bin/env bash
# Make the report again from the recordings, in a fresh virtual environment, and name every cell of its
# tables that is not the same. Usage: bash rerun.sh WHEEL [--trust], with the studylib wheel that the study
# was made with (its version stands in requirements.txt); needs Python 3.11 or later. Notebooks of the
# study's own are run only with --trust, and the library's in their place without: they are programs, so
# read them first.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"
room=$(mktemp -d)
trap 'rm -rf "$room"' EXIT
"${PYTHON:-python3}" -m venv "$room/venv"
"$room/venv/bin/pip" install --quiet -r requirements.txt "${1:?give the wheel of studylib}"
"$room/venv/bin/study" verify reports/* "${@:2}"
