#!/usr/bin/env bash
# Make the report again from the recordings, in a fresh virtual environment, and say which tables came
# out differently. Usage: bash rerun.sh WHEEL [--trust], with the studylib wheel that the study was made
# with (its version stands in requirements.txt); needs Python 3.11 or later. Where the study has notebooks
# of its own, it stops unless --trust is given: they are programs, so read them first.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"
room=$(mktemp -d)
trap 'rm -rf "$room"' EXIT
"${PYTHON:-python3}" -m venv "$room/venv"
"$room/venv/bin/pip" install --quiet -r requirements.txt "${1:?give the wheel of studylib}"
"$room/venv/bin/study" run . --reports "$room/reports" "${@:2}"
made=("$room"/reports/*/tables)
for table in reports/*/tables/*.csv; do
    cmp -s "$table" "$made/$(basename "$table")" || { echo "differs: $table"; different=1; }
done
[ -z "${different:-}" ] && echo "Every table is the same to the byte."
