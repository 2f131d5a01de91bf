"""Working metal: where to scrape, how deep, and what the hand takes. Pure: shapes in, plans out."""
