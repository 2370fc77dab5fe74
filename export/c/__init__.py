"""Program to C: layout, operations, kernels, header and source."""
