"""Numeric fits: least squares, curves, regressors, and integers for what they found."""
