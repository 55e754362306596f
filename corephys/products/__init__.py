"""Floor 4: what a report needs, made of properties that arrive as arguments."""
