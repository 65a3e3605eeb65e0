"""The job of `benchmarks.scan` as scripts that use other libraries and nothing of this project."""
