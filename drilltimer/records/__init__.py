"""What is kept of sessions and what is made of it: history, comparisons, reports, exports."""
