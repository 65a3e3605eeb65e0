"""Where the placed parts of a mock-up really stand."""
