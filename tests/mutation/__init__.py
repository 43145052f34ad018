"""How many small faults put into the model and the study would the tests see?

    python -m tests.mutation --minutes 20 --seed 1 [--jobs 1] [--only PART-OF-A-MODULE-NAME]

A seeded sample of faults (`mutants`) is made in `explorer/model` and `explorer/study`, one at a time; the tests that
call the faulty function (`judge` records which do) run in a forked worker until the first one fails. For faults in the
model it runs in plain Python (`plain`): compiling it for every fault would take 40 seconds of a core each. So what only
compiled code does is left out (`mutants.LEFT_OUT`): what is written for the compiler itself and the parallel loop.
Faults in the study are judged with the compiled model, from its cache.
The outcome goes to `results/mutation` (`outcome`); faults that cannot be seen are listed, each with its reason, in
`equivalent.toml`.

Why a tool of our own (looked at: mutmut 3.8, cosmic-ray 8.7): mutmut leaves functions with a decorator alone, and every
function of the model has one; cosmic-ray starts a fresh process and the whole test command per fault, 5 seconds of
imports before the first test, so that the time allowed would be spent on a tenth of the sample; neither draws a sample
whose share comes with an interval. Both would need the plain form of the lanes all the same.
"""
