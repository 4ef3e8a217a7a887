"""The commands, one subject a file; `benchmark.cli` gathers them."""
