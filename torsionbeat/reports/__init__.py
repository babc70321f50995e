"""The report on a clock: the owner's page, the technical annex, the letterhead, and the PDF."""
