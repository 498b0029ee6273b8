"""Amphora for those who write Python."""
