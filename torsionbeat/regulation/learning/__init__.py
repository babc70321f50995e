"""What a clock's own trials teach: the road from notes to trials, and the model that learns from them."""
