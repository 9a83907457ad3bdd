"""The four-bar linkage as geometry: positions, closure, derivatives, trains.

In come sizes and angles as arrays; out go positions, driven angles and angles to the in-line position, many
at once. Knows neither films nor errors of measurement: pure geometry, which every other room uses.
"""
