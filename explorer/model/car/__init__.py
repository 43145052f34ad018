"""What follows from a parameter vector before the car corners: layout of the vector, masses and rates, tyre, bumps.

One function per equation, each with its source. A new number of the car or the surface gets its slot in `slots`.
"""
