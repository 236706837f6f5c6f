"""The page on which a learner practises."""
