"""Running a study: notebooks executed, their results put in place, and the record of it.

execution   one notebook through papermill, so that its success can be believed
cluster     the same on other machines
workers     the threads of a run, and one run at a time in the folder of a report
places      where results stand, and when they are still good
provenance  keys and hashes: what a result was made of
runner      puts it together: `run_study`, `write_page`
"""
