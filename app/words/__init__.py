"""What people read and what programs may take, said once.

In come values of any other room, files and texts from anywhere; out go errors with a sentence and a hint
(`errors`), numbers as text (`estimates`), findings as sentences (`findings`), cautions, names of figures,
JSON and CSV strictly read (`strict_json`, `columns`), files written whole or not at all (`files`), limits for
processes and archives (`resource_limits`, `archive_limits`), and the statements that people put on record
(`statements`). Imports no other room of ``app``, and of the other packages only what findings are.
"""
