"""Boards: what a relay is mounted on.  One file each, one interface (see bench.py)."""
