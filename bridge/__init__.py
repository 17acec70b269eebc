"""What capture and viewer share: messages, bus, session folder, journal, command line."""
