"""What a stack may show: expected lines, what hides what, and the windows to fit."""
