"""The bundle: manifest, files, packing, verification."""
