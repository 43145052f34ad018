"""The stages of a whole run in their order: answer, write, check, compare.

Here parts meet that do not know each other: inputs, questions, reports and a run's folder. No question is answered
here. A new stage goes into `pipeline`; what a run's answers depend on stands in `run_study`.
"""
