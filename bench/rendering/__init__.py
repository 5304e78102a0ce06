"""What the benchmarks of rendering share."""
