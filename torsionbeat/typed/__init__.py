"""Reads what people type: texts become moments, amounts, sightings and sources. Each kind of text has one reader."""
