"""Every key of the session and of the address, in one place.

They hold ids and choices, never videos or arrays.
"""

from __future__ import annotations

JOB = "job"
"""In the address: id of the film that is open."""

UPLOAD_ROUND = "upload_round"
"""Counts uploads; a new uploader forgets the last file, so it does not stay in memory."""
CLIP_UPLOAD = "clip_upload"
RIG_UPLOAD = "rig_upload"
REFUSED = "refused_upload"
"""(file id, sentence) of the last upload that could not be stored, so it is not tried again by itself."""

SHEET_A4 = "sheet_a4"
SHEET_LETTER = "sheet_letter"
HOW_TO_FILM = "how_to_film"

OPEN_JOB = "open_job"
ALL_FILMS = "all_films"
CANCEL = "cancel"
AGAIN = "analyse_again"

LINKAGE = "linkage"
STEP = "step"
STEP_CSV = "step_csv"
MOMENT = "moment"
FRAME_BACK = "frame_back"
FRAME_ON = "frame_on"
INTENDED_KIND = "intended_kind"
INTENDED_TABLE = "intended_table"
INTENDED_SHEET = "intended_sheet"
"""(rows the sheet to type into opened with, rows last taken from it) of this session."""
INTENDED_CSV = "intended_csv"
INTENDED_CSV_TAKEN = "intended_csv_taken"
"""Id of the CSV file last taken in, so that it is taken in once."""
COMPARED_CSV = "compared_csv"
FILE_DOWNLOAD = "file_download"
