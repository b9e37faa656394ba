"""Ports: where an analyser's bytes come from. `open_port` picks one by its configured address."""
