"""Weight and warmth: how a piece bends as it stands."""
