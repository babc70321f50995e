"""The bench page: the clock that is being listened to, its history and its next adjustment, in a browser."""
