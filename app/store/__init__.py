"""Jobs, films, analyses and everything said about them, kept for years on disk and in a database.

In come clips, results and statements; out go jobs as they stand (`jobs`, `store`), the queue of analyses
(`queue`, `scheduler`), bundles for a colleague (`bundle`), backups and checks (`maintenance`). The only
room that knows the database. Who may do what is not decided here but in ``app.access``.
"""
