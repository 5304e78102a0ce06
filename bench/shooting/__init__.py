"""What the benchmarks of shoot are made of."""
