"""Comparing heads: flowed the same way or not, is the difference real, where is it, does it matter.

Pure: kept pulls go in, findings come out; pages and text are made elsewhere.
"""
