"""The result folder of a measurement: written whole, read back checked, shown as tables and pictures.

In comes a `Measurement`, or a folder from anywhere; out go the files that docs/files.md describes
(`main_job`, `contents`, `writing`, `joined`), a `FilmResult` (`reading`), tables, plots, and frames of the
clip with the linkage drawn in (`overlay`, `frames`). Whoever shows a result takes it from here, not from
``app.measure``.
"""
