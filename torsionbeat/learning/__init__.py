"""What a clock's own trials teach: how it answers its regulator, the road from notes to trials, the model that learns."""
