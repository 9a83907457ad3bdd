"""The record as PDF: sections of small blocks, built from result folders and set by one typesetter."""
