"""The script beside this file runs in the viewer's own Python, so it is no test module."""

collect_ignore = ["describe_in_viewer.py"]
