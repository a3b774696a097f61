"""Mutants that survive because they change nothing that could be noticed, each with the reason. Key: module, line, mistake."""

EQUIVALENT: dict[tuple[str, str, str], str] = {}
