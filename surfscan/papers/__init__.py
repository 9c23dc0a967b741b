"""Papers that an inspector can file: a PDF report, its HTML twin, and the seal that shows later changes.

``content`` says what is on the paper, ``drawing`` draws the set-up, ``pdf`` and ``html`` lay it out, ``seal``
digests the result, ``folder`` writes and verifies a report folder.
"""
