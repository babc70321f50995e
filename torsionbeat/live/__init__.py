"""Live work: hearing a night, setting in beat, checking the microphone."""
