"""What `nightloom check` looks at beyond the files: the devices, and what works but costs."""
