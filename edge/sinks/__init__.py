"""Where records go: the card (a folder) and the wire (a serial port)."""
