"""Two small invented patients, the script that makes them, and their truths."""
