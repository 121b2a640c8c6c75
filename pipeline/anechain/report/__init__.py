"""The page of a campaign, its table of numbers, and its RO-Crate."""
