"""Running a study: notebooks executed, their results put in place, and the record of it.

execution   one notebook through papermill, so that its success can be believed
kernels     forked from one process that has imported everything once
cluster     the same on other machines
workers     the threads of a run, and one run at a time in the folder of a report
notebooks   whose notebooks are run: the library's, or the study's own
provenance  where results lie, what they were made of, and whether they are still good
runner      puts it together: `run_study`, `write_page`
archive     a study and its report in one file
verify      whether a report comes out again
"""

import sys

# jsonschema, which nbformat brings along, builds a grammar of internationalised addresses while it
# is imported: a second of the processor, for a check that no notebook asks for. Where the grammar
# cannot be imported jsonschema does without.
sys.modules.setdefault("rfc3987_syntax", None)
