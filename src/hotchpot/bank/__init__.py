"""What may be joined and why: arrangements, banks, ratings, and the judge's rules."""
