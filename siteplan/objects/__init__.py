"""What goes to other machines? Standard DICOM objects. Names load on first use: writing needs heavy libraries."""
