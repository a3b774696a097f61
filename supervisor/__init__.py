"""The supervisor: keeps sealed fruit enclosures at their gas set-points, and keeps people out of unsafe air."""
