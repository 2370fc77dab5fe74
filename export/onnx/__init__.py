"""Program to ONNX, and running it."""
