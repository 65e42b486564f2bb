"""The kinds of files that a plan is handed over as. Light, because the command line names them in its help."""

KINDS = {
    "dicom": "standard DICOM objects in the patient's study",
    "templates": "the fixtures of the case's catalogue as DICOM implant templates",
    "stl": "meshes, one binary STL for each body, patient millimetres",
    "obj": "the same as OBJ",
    "glb": "the same in one GLB scene (glTF: metres, +Y up)",
    "csv": "measures, fixtures and drilling steps as tables",
    "json": "the findings as JSON",
    "bundle": "the case as one ZIP file that another installation opens",
}
"""What each kind is, in the order in which they are written."""

IDENTITIES = {"none": "none", "initials": "initials", "given": "as given"}
"""The command's word for each `siteplan.report.Identity`, and that identity's value."""
