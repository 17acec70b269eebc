"""The process at the arena: pictures in, readings out."""
