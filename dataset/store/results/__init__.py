"""What came of captures: models, and what boards measured of them."""
