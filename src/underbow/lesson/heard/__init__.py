"""What the learner reads after a take: the page that says what was heard."""
