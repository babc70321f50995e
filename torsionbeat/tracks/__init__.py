"""From blocks to tracks: band levels, what repeats in them, other clocks, and the exact times of sounds."""
