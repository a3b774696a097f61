"""The audit: what goes into it, its hash chain, its proof, and the alarm performance figures made from it."""
