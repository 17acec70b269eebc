"""The clinic: example flights, blind practice marking, and how far the markers agree."""
