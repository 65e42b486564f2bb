"""The desktop window: shows `Findings`, edits `Case`; measures nothing itself."""
