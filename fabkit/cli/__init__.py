"""The command line: arguments in, one call to fabkit, outputs out."""
