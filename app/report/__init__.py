"""The record as PDF, the marker sheet, and comparisons of two films.

In come result folders and what a job holds (`job`, `of_job`); out go sections of small blocks, set on paper
by one typesetter (`typeset`), and comparisons as data (`comparing`), which the page shows as well. Changes
nothing in a store except the pictures that a result keeps (`keep_pictures`).
"""
