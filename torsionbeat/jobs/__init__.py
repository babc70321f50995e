"""The jobs of a restorer, each as one typed call that prints nothing and parses nothing."""
