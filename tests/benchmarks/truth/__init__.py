"""Simulated studies with a stated truth, through the functions that the summary calls.

`cells` lists the designs, `draw` makes their features tables, `judge` counts what the analysis says
of them, `against` holds the counts to what is promised, `page` shows them.
"""
