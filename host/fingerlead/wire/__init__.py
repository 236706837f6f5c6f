"""The chanter's wire: bytes to messages and back, with no input or output; time is an argument."""
