"""What came of the treatments: clearance over time, and reactions beside the published bands.

For the clinician's eye. Nothing here enters advice or estimates.
"""
