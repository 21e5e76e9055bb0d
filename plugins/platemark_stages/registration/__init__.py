"""Registration: where two scans of one original lie to each other, from local matches; shared by joining and turned."""
