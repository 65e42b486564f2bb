"""An invented patient on disk whose name, number and dates stand wherever a program could pick them up."""

import json
from pathlib import Path

import made_case as made
import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, CTImageStorage, ExplicitVRLittleEndian

from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.record import Record, add_entry, record_path
from siteplan.surgery.seating_plan import BranchStep, SeatingPlan

SAID = "Zoenira Xaverine Quentino, born 1951-12-03 <script>alert('x')</script>"
"""Typed into every field that takes text."""
SECRETS = (*made.NAME.split("^"), made.IDENTIFIER, "777413", made.BORN, made.STUDIED, "1951-12-03", "2026-07-04")
"""Not one of these may be found where identity is "none": names, number, unique identifiers, dates."""


def write_patient(folder: Path) -> Path:
    """Series, case file, seating record and a catalogue below `folder`; returns the case file."""
    folder.mkdir(parents=True)
    write_series(folder / "series of Quentino")
    (folder / "own.toml").write_text(own_catalogue(), encoding="utf-8")
    case = folder / "case.json"
    case.write_text(json.dumps(case_content()), encoding="utf-8")
    plan = SeatingPlan(
        tooth=36, fixture="demo-compressive-4.0x10", length_mm=10.0, lead_mm=1.2, apex_mm=10.0, drop_in_mm=1.0,
        gum_mm=3.0, settings_Ncm=(15.0, 25.0, 35.0), target_Ncm=(35.0, 45.0), loading_Ncm=32.0, ceiling_Ncm=60.0,
        back_out_turns=2.0, widening_turns=4.0, same_tolerance_turns=0.25, cycles_before_opening=3,
        depth_tolerance_mm=0.7, tighter=(BranchStep("crestal 2.8", "crestal 2.8 to 2 mm"),), looser=(),
    )  # fmt: skip
    record = Record(36, ())
    for entry in (Entry(Kind.STARTED, plan=plan), Entry(Kind.LOT, text=SAID), Entry(Kind.NOTE, text=SAID)):
        record = add_entry(record_path(case), record, entry, time="2026-07-04T09:30:00+02:00")
    return case


def write_series(folder: Path) -> None:
    """The invented jaw as CT images with everything about the patient in them, private elements too."""
    folder.mkdir()
    scan = made.made_scan()
    for number, plane in enumerate(scan.voxels):
        ds = _slice(number, plane, scan.affine)
        ds.save_as(folder / f"QUENTINO_{number:03d}.dcm", enforce_file_format=True)


def _slice(number: int, plane: np.ndarray, affine: np.ndarray) -> Dataset:
    ds = Dataset()
    ds.SOPClassUID, ds.SOPInstanceUID = CTImageStorage, UID(f"{made.UID}.2.{number}")
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.PatientName, ds.PatientID, ds.PatientBirthDate, ds.PatientSex = made.NAME, made.IDENTIFIER, made.BORN, "F"
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = made.STUDIED
    ds.StudyTime, ds.AccessionNumber, ds.StudyID = "101112", "777413", "777413"
    ds.ReferringPhysicianName = ds.OperatorsName = ds.PatientMotherBirthName = made.NAME
    ds.StudyDescription = ds.SeriesDescription = ds.PatientComments = SAID[:40]
    ds.InstitutionName = f"Practice of {made.NAME.split('^')[0]}"
    ds.Modality, ds.Manufacturer, ds.BodyPartExamined = "CT", "Invented", "JAW"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = UID(f"{made.UID}.1"), UID(made.UID)
    ds.FrameOfReferenceUID = UID(f"{made.UID}.3")
    ds.PatientPosition, ds.PositionReferenceIndicator = "HFS", ""
    ds.SeriesNumber, ds.InstanceNumber, ds.KVP, ds.AcquisitionNumber = 1, number + 1, "90", 1
    ds.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
    ds.ImagePositionPatient = [f"{x:.4f}" for x in affine[:3, :3] @ (0, 0, number) + affine[:3, 3]]
    ds.PixelSpacing, ds.SliceThickness = [f"{affine[0, 0]:g}"] * 2, f"{affine[2, 2]:g}"
    ds.Rows, ds.Columns = plane.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PixelRepresentation = 1, "MONOCHROME2", 1
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, 16, 15
    ds.RescaleSlope, ds.RescaleIntercept, ds.RescaleType = "1", "0", "US"
    ds.private_block(0x0011, made.NAME.split("^")[0], create=True).add_new(1, "LO", made.NAME)
    ds.PixelData = np.ascontiguousarray(plane, "<i2").tobytes()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID, ds.file_meta.MediaStorageSOPInstanceUID = CTImageStorage, ds.SOPInstanceUID
    return ds


def case_content() -> dict[str, object]:
    """Two sites, three structures, marks, an arch, a calibration: each with the text."""
    floor = [(24, -10, -25), (36, -10, -25), (36, 16, -25), (24, 16, -25)]
    return {
        "schema": "siteplan-case/1",
        "units": "mm",
        "series": "series of Quentino",
        "series_uid": made.UID,
        "sites": [
            made.site(36, made.SITE_36, fixture="demo-compressive-4.0x10", soft_tissue_mm=3.0, notes=SAID),
            made.site(37, made.SITE_37, fixture="own-4.2x9", notes=SAID, planned_contacts=[f"floor of {SAID}"]),
        ],
        "structures": [
            made.canal(name=f"canal of {SAID}", note=SAID),
            made.root() | {"name": f"=root of {SAID}", "note": SAID},
            {"kind": "sinus-floor", "name": f"floor of {SAID}", "note": SAID, "surface": {"points_mm": floor}},
        ],
        "title": SAID,
        "patient_label": SAID,
        "notes": SAID,
        "marks": [
            {"kind": "note", "points_mm": [(30, 0, 0)], "text": SAID},
            {"kind": "distance", "points_mm": [(30, 0, 0), (30, 0, 5)], "text": SAID},
        ],
        "arches": [
            {"jaw": "lower", "control_points_mm": [(30, y, -1) for y in (-10, -3, 4, 11)], "note": SAID},
        ],
        "calibration": {"slope": 0.9, "intercept": 40.0, "source": SAID, "device": SAID, "date": "2026-07-04"},
        "catalogues": ["own.toml"],
    }  # fmt: skip


def own_catalogue() -> str:
    """A catalogue file of the user's own with one fixture."""
    sizes = {
        "outer_diameter_mm": 4.2, "core_diameter_mm": 3.0, "shaft_diameter_mm": 3.4, "smooth_mm": 1.0, "taper_deg": 0.8,
        "tip_diameter_mm": 2.0, "tip_mm": 0.7, "neck_diameter_mm": 3.6, "transgingival_mm": 2.0,
        "abutment_diameter_mm": 4.0, "abutment_height_mm": 5.0, "thread_lead_mm": 0.9,
    }  # fmt: skip
    lines = "\n".join(f"{key} = {value}" for key, value in sizes.items())
    return (
        'format = 1\ntitle = "own"\n[[fixture]]\nfamily = "own"\ndesign = "one-piece compressive"\nlengths_mm = [9.0]\n'
        f'source = "invented"\n{lines}\n'
    )
