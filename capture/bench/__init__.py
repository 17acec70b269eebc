"""The bench: what Railcrest promises, measured on this machine and printed with it."""
