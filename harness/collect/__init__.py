"""Repeats from folders of any origin: campaigns, tables of repeats, files of frames from elsewhere."""
