"""The cautions, worded once for the marker sheet, the page and the record."""

from __future__ import annotations

CAUTIONS = (
    "Burner off, locked out and tagged, fuel isolated before a marker goes on and while you film.",
    "Stroke the linkage by its hand switch only. Keep hands, sleeves and tools clear: the motor can pinch.",
    "Final settings only with a calibrated combustion analyser, by a licensed technician, "
    "to the maker's instructions and local code.",
    "strokecurve advises. It does not judge whether a burner may be fired.",
)
"""Shown before any other content, in this order and complete: on the start, the marker sheet and the record.

On the pages of a job the first and the last, which matter most, stand in sight, the others open on a touch.
"""

HOW_TO_FILM = (
    "Print at 100 % (no “fit to page”) and check the ruler. "
    "Glue the sheets to stiff, flat board and cut out.",
    "Fix the reference card to something that does not move, close to the arms and roughly parallel to them, "
    "marker 0 at the top left.",
    "Put marker 10 on the motor's arm, 11 on the next shaft's arm, 12 on the one after. "
    "They must not slip on the arm; which way up does not matter.",
    "Put 20 on the rod the motor drives, 21 on the rod shaft 1 drives. They may be left out, "
    "but with them the radii and the rod length can be measured.",
    "Stand the phone 0.5 to 1 m away, lens square to the card, all markers in the picture all the time. "
    "A tripod is best; a steady hand will do.",
    "1080p, 30 frames a second or more, no zoom, no slow motion, a lamp from the side: "
    "no glare on the markers.",
    "Start filming at low fire, wait 3 seconds, stroke to high fire, wait 3 seconds, "
    "stroke back to low fire, wait 3 seconds, stop.",
)
"""What to do from the printer to the end of the clip, in order."""

SETTING_CAUTIONS = (
    "Work on the linkage only with the burner off and locked out and the fuel isolated.",
    "When settings change under fire: raise air before fuel, lower fuel before air.",
    "After any change verify O2 and CO with a calibrated analyser at every firing position.",
    "The maker's instructions, local code and a licensed technician stand above strokecurve. "
    "It advises and does not judge whether a burner may be fired.",
)
"""Shown wherever intended travel or a change of the linkage is shown."""

NOT_OURS_TO_SAY = (
    "Whether the burner may be fired again is for a licensed technician to decide, to the maker's "
    "instructions and local code; this work order does not say so. At every firing position from low to "
    "high fire O2 and CO are then checked with a calibrated analyser; raise air before fuel, lower fuel "
    "before air."
)
"""Stands below the steps of every work order; it is none of them."""
WITHOUT_WARNINGS = (
    "This work order was put on record without its warnings and what it rests on. "
    "Work the proposals out again and choose anew before anything is carried out. What it said of lighting "
    "the burner does not hold and is left out here."
)
"""Stands above the steps of a work order that came without its warnings."""
FIRING_STEP = "Only then light the burner"
"""How the last step of such an order begins. It is not printed: ``NOT_OURS_TO_SAY`` stands in its place."""
