"""Floor 3: what a report needs, made of properties that arrive as arguments."""
