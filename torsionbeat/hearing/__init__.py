"""From tracks to the sounds of one clock: which is which, by one scored account, and where each begins."""
