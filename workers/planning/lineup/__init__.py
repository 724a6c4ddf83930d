"""Line-up studies: which nozzle belongs on which machine for a mix of jobs, and which are worth buying."""
