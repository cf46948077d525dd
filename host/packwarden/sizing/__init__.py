"""Sizing: what the parts round a pack must stand, and how well the relay measures with them.

Every calculation is a plain function in SI floats; `topics.run` puts them together for one pack file and one file of
parts.  Discharge current is positive, as everywhere here.
"""
