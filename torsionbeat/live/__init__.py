"""What happens as it happens: a night being heard, setting in beat, checking the microphone."""
