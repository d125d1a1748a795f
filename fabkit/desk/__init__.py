"""Orders worked out: all at once, or from a page in the browser of the same machine.

An order is a folder with an order file, packages and sheets, the same that ``fabkit order`` reads.
The page changes the order file; processes of their own read, judge and price by it.
"""
