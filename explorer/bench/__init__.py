"""How fast the program is and what exactness costs, measured in fresh processes. Loaded by `bench` alone.

Nothing else may import it. A task goes into `tasks`, its line of the table into `plan`.
"""
