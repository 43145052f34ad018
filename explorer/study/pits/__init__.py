"""At the track: what a driver complains of and what cures it, and the liked feel on another surface.

Symptoms are measures of metrics; a new one goes into `symptoms`.
"""
