"""The review note: one page of paper about one flight, with stills, clip and table beside it."""
