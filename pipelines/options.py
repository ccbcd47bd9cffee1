"""One set-up by options of the command line, in the terms of the set-ups table."""

from __future__ import annotations

# One set-up on the command line: option -> column of the set-ups table, and its help.
SETUP_OPTIONS = {
    "--substrate": ("substrate_id", "garment to print on"),
    "--ink": ("ink_id", "ink on top"),
    "--mesh": ("mesh_id", "mesh of the top ink"),
    "--strokes": ("strokes", "strokes of the top ink, all together"),
    "--flashes": ("flash_count", "flashes between strokes of the top ink"),
    "--underbase-ink": ("underbase_ink_id", "ink of the underbase; leave out for none"),
    "--underbase-mesh": ("underbase_mesh_id", "mesh of the underbase"),
    "--underbase-strokes": ("underbase_strokes", "strokes of the underbase"),
    "--lot": ("ink_lot", "batch of the ink"),
    "--press": ("press_id", "press"),
    "--date": ("printed_on", "day of printing, as 2026-03-31"),
    "--squeegee": ("squeegee_shore_a", "squeegee durometer, Shore A"),
    "--angle": ("squeegee_angle_deg", "squeegee angle from vertical, degrees"),
    "--off-contact": ("off_contact_mm", "off-contact distance, mm"),
    "--eom": ("eom_um", "stencil thickness over the mesh, um"),
    "--tolerance": ("tolerance_dE00", "dE00 this job may be off its target"),
}
