"""Laps turned into numbers."""
