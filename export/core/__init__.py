"""An emulated core: runs, cycles, stack and bounds."""
