"""The command line: one module for each command, with what it prints.

In come arguments; out go files, a short text and an exit status: 0, or 2 with one plain line where the
input cannot be used. The work itself is done in other rooms; `strokecurve` alone opens the page.
"""
