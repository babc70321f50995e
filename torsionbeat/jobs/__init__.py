"""What a restorer does, each as one typed call that prints nothing and parses nothing."""
