"""Proofs about the relay: its own tables and its own source, for every state and every input, not a copy of them."""
