"""The plan: scenarios of what is not known, weighed by practice; robust setups, what to measure, what to change next.

`plan` holds only the order of the questions. Sums over rows go through `row_sums`, so that chunks do not matter.
"""
