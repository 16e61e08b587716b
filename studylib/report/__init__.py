"""What a reader sees: the summary of a study, its tables and sentences, and the pages.

summary    one study's comparison, its figures and files
tables     the tables of the summary, as a reader wants them
text       its sentences
one_batch  tables and sentences of a batch
pages      how both are shown in a notebook, and a notebook as one page of HTML
"""
