"""The sounds of the beats, to see and to hear: cut out of a recording, put side by side, averaged."""
