"""Papers for the workshop: drawings, tables, the hole template at 1:1, the certificate."""

from fluewright.making.certificate import (
    CertificateCut,
    CertificateNote,
    MeasuringConditions,
    write_certificate,
)
from fluewright.making.sheet import UnsavedSizes, write_sheet
from fluewright.making.template import TemplateSheet, template_sheets

__all__ = [
    "CertificateCut",
    "CertificateNote",
    "MeasuringConditions",
    "TemplateSheet",
    "UnsavedSizes",
    "template_sheets",
    "write_certificate",
    "write_sheet",
]
