"""The scripts beside this file run in the viewer's own Python, so they are no test modules."""

collect_ignore = ["describe_in_viewer.py", "open_by_plugin.py"]
