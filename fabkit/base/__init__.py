"""What every room uses: units, errors, limits, findings, columns, streams."""
