"""The registry as files that people edit and compare."""
