"""Mutants that survive because they change nothing that could be noticed, each with the reason. Key: module, line, mistake."""

EQUIVALENT: dict[tuple[str, str, str], str] = {
    (
        "guard",
        "dose = Dose(effect.request_id, flow_nl_min, volume_nl, 0.0, until_s, False)",
        "0.0 minus",
    ): "minus nothing is nothing",
}
