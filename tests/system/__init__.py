"""What needs more of the machine than Python: a sound server in user space. `.ci/system` installs
it and runs all of this; without it these tests are skipped, and say what is missing."""
