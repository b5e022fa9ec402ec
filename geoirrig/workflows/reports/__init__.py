"""What stands on the page of each command: records into parts of `geoirrig.report`."""
