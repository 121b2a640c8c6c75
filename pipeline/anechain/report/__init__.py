"""The page of a campaign."""
