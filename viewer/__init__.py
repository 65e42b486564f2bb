"""The desktop window: shows `Findings`, edits `Case`; measures nothing itself."""

from viewer.none_kept import keep_none

keep_none()
