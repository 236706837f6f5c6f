"""One chanter listened to and kept."""
