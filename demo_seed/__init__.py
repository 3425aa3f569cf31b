"""The Braithmoss scenario, everything in it invented: played into a service through its HTTP API, as a client would."""
