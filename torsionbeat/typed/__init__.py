"""What people type, read: texts into moments, amounts, sightings and sources; nothing is read twice in two ways."""
