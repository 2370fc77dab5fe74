"""What is handed over: bundles, and the channels that point at them."""
