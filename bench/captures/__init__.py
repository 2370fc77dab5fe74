"""Benches of our own in closed form: captures that are not of the virtual rig."""
