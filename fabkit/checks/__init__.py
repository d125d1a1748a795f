"""Checks: small pure functions from a case to findings."""
