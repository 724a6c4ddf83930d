"""The demo workshop: an invented shop (``shop.json``), invented parts and jobs (``jobs.json``)."""
