"""One function a job: what commands, ``import innage`` and a service call alike."""
