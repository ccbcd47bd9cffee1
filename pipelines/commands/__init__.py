"""One command a file: plain functions with typed arguments that return an exit code."""
