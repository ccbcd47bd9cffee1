"""CxF3: the file, and what its specification may declare."""

from __future__ import annotations

import numpy as np

from tests.measured.documents import cxf, cxf_object, cxf_spec
from tests.measured.wrong.readings import Readings


def cxf_file(one: Readings) -> bytes:
    objects = ""
    scale = np.broadcast_to(one.scale, (len(one.spectra),))
    for i, name in enumerate(one.names):
        values = ""
        if one.with_spectra:
            text = " ".join(f"{v:.6f}" for v in one.spectra[i] * scale[i])
            values += f'<cc:ReflectanceSpectrum ColorSpecification="M1" StartWL="380">{text}'
            values += "</cc:ReflectanceSpectrum>"
        for kind, axes, triple in (("Lab", "LAB", one.lab), ("XYZ", "XYZ", one.xyz)):
            if triple is not None:
                inside = zip(axes, triple[i], strict=True)
                parts = "".join(f"<cc:{a}>{v:.4f}</cc:{a}>" for a, v in inside)
                name_ = f"cc:ColorCIE{kind}"
                values += f'<{name_} ColorSpecification="M1">{parts}</{name_}>'
        objects += cxf_object(name, values)
    return cxf(objects, one.spec or cxf_spec()).encode()


_POLARISED = "<cc:DevicePolarization>true</cc:DevicePolarization></cc:Device>"
_CUSTOM = "<cc:CustomIlluminant><cc:Name>shop window</cc:Name></cc:CustomIlluminant>"


def _spec(old: str, new: str, **options: str) -> str:
    spec = cxf_spec(**options)
    assert old in spec
    return spec.replace(old, new, 1)


def _measured(inside: str) -> str:
    return _spec("<cc:MeasurementSpec>", f"<cc:MeasurementSpec>{inside}")


LIGHTS = {
    "D65": cxf_spec(light="D65"),
    "custom": _spec("<cc:Illuminant>D50</cc:Illuminant>", _CUSTOM),
    "TL84": cxf_spec(light="TL84"),
    "10 degree": _spec("2_Degree", "10_Degree"),
    "custom observer": _spec("2_Degree", "Custom_CMF"),
}
FILTERS = {
    "polarised": _spec("</cc:Device>", _POLARISED, lamp="LED"),
    "M1 but polarised": _spec("</cc:Device>", _POLARISED),
    "UV excluded": _spec(
        "</cc:Device>",
        "<cc:DeviceFilter>Filter_UVExcluded</cc:DeviceFilter></cc:Device>",
        lamp="LED",
    ),
    "no filter": _spec(
        "</cc:Device>", "<cc:DeviceFilter>Filter_None</cc:DeviceFilter></cc:Device>", lamp="Flash"
    ),
    "M0": cxf_spec(lamp="M0_Incandescent"),
    "lamp of its own": cxf_spec(lamp="Custom"),
}
NO_PRINT = {
    kind: _measured(f"<cc:MeasurementType>{kind}</cc:MeasurementType>")
    for kind in ("Spectrum_Transmittance", "Spectrum_Emissive", "Colorimetric_Transmittance",
                 "Colorimetric_Emissive", "Spectrum_TotalTransmittance")
}  # fmt: skip
_SPHERE = "<cc:GeometryChoice><cc:SphereGeometry>{}</cc:SphereGeometry></cc:GeometryChoice>"
GLOSS = {"sphere": _measured(_SPHERE.format("Specular_Included"))}
