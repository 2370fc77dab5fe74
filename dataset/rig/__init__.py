"""The virtual rig: a field solution of pads on a tank, and on top of it a bench with all that disturbs a
capture. All it gives is simulated.
"""
