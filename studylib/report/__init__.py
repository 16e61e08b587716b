"""What a reader sees: the summary of a study, its tables and sentences, and the pages.

summary       one study's comparison, its figures and files
tables        the tables of the summary, as a reader wants them
text          its sentences, pairs of woods among them
preregistration   lock, blinding and schedule
budgets       what each feature is not known by, and what of that cancels
checks        what a comparison is asked beside its verdicts
trust, outliers, order, beside   that in words
heard_aloud, film   two boards to listen to; stills and words for a film
listening     the study's own blind test: which answers count, and what came of them
one_batch     tables and sentences of a batch
at_the_bench  what `study check` says
pages         how both are shown in a notebook, and a notebook as one page of HTML
"""
