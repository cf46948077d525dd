"""The safety case as data: hazards, requirements, what shows them, and the collected evidence.

Nothing here is a certificate, and nothing here claims one.
"""
