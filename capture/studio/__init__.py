"""The rehearsal arena: routines, bodies and pictures whose truth is known."""
