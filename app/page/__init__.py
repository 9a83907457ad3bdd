"""The page: scripts that read the store, call one action, and draw.

In come a visitor's address and presses; out go HTML, small files, and work for ``app.tasks``. The scripts
named in `steps` are run by Streamlit and imported by nobody; `shell` hands them the store as that person
may use it. No other room imports this one, except the command that starts it (`launch`).
"""
