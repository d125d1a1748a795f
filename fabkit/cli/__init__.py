"""The command line: arguments in, one call to fabkit.api, outputs out."""
