"""What this program is not, in the words that everything that speaks to people carries."""

IN_SHORT = "Not a safety instrumented system: fixed detection, ventilation and entry procedure stand by themselves."
CAUTION = (
    "Stillhold is not a safety instrumented system. Fixed gas detection, ventilation and entry procedure by licensed practice "
    "and local code stand by themselves; it adds to them and replaces none, and `clear` is no permission to enter."
)
