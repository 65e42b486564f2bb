"""An example of the user's file of archives; apart, because every command's help is made at every start."""

EXAMPLE = """\
format = 1

[archive.clinic]
over = "dicomweb"
url = "https://archive.clinic.example/dicom-web"

[archive.scanner]
over = "dimse"
host = "192.0.2.7"
port = 11112
title = "ARCHIVE"
our_title = "SITEPLAN"
"""
"""What a file of archives may look like; both addresses are of the kind kept for examples (RFC 2606, RFC 5737)."""
