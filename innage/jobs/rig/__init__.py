"""The virtual rig as a source of sessions, and as boards on a port."""
