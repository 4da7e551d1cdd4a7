"""Tables and documents of a survey as files."""
