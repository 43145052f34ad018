"""The car in a corner: statics and grip of both axles, the path to its limits, the response to the steering.

The equations are stated here and nowhere else; `cornering` is the door.
"""
