"""Names of figures for people."""

QUANTITY_WORDS = {
    "drive_radius_mm": "drive arm radius",
    "driven_radius_mm": "driven arm radius",
    "rod_mm": "rod length",
    "spacing_mm": "spacing of the shafts",
    "drive_start_deg": "drive arm start angle",
    "driven_start_deg": "driven arm start angle",
}
"""The quantities of a linkage's geometry, in the order in which they are shown."""
