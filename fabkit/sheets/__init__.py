"""Board house sheets: limits, options, rates; TOML, validated with file, line and key."""
