"""The judge-side viewer."""
