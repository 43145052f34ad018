"""How the model is compiled: numba's options, numbers side by side (`lanes`) and their elementary functions.

No physics. A change here changes the last bits of every metric or none: the tests hold lanes and floats together.
"""
