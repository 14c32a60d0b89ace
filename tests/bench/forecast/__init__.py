"""Benchmark of the forecast on made-up and real drives: `python -m tests.bench.forecast` (docs/benchmark.md)."""
