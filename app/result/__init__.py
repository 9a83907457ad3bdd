"""The result folder of a measurement: written whole, read back checked, shown as tables and pictures.

In comes a `Measurement`, or a folder from anywhere; out go the files that docs/files.md describes
(`main_job`, `contents`, `writing`, `joined`), a `FilmResult` (`reading`), tables, plots, and frames of the
clip with the linkage drawn in (`overlay`, `frames`). What page, terminal and PDF say of condition, geometry
and findings comes from one table (`presenter`). Whoever shows a result takes it from here, not from
``app.measure``.
"""
