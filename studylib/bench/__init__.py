"""At the bench: what is recorded when, what is played, what hangs on the wall, is a take good.

schedule      the order of a batch, and its rows of takes.csv
signals       what is played, as WAV files
sheet         what to do next, to be printed
slips         what a recording most likely is, where it is not what its row says
watch         a look at each recording as it appears
recording_session   take by take: how loud, under which name, kept or not; a signal is played while
              the input is heard; what a cable from output to input tells
"""
