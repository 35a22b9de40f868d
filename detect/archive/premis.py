"""The check of a transfer as a preservation event: PREMIS 3 XML (PREMIS Data Dictionary, version 3.0)."""

from __future__ import annotations

import uuid
import xml.etree.ElementTree as ET
from pathlib import Path

from detect.findings import Findings
from detect.output.files import OutputPaths, write_whole
from detect.output.words import OUTCOME_WORDS, one_line

NAMESPACE = "http://www.loc.gov/premis/v3"
ENDING = ".premis.xml"
EVENT_TYPE = "quality review"
ROLE = "implementer"
OUTCOME = "success"
"""The check was carried out; what it found is in the note (Library of Congress, event outcome vocabulary)."""


def _add(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    child = ET.SubElement(parent, f"{{{NAMESPACE}}}{name}")
    if text is not None:
        child.text = one_line(text.encode("utf-8", "replace").decode())
    return child


def _identifier(parent: ET.Element, kind: str, *, type_: str, value: str, role: str | None = None) -> None:
    inside = _add(parent, kind)
    _add(inside, f"{kind}Type", type_)
    _add(inside, f"{kind}Value", value)
    if role:
        _add(inside, kind.replace("Identifier", "Role"), role)


def event_xml(findings: Findings) -> bytes:
    """One event and the agent that carried it out. Its identifier follows from path and time of the check."""
    ET.register_namespace("premis", NAMESPACE)
    root = ET.Element(f"{{{NAMESPACE}}}premis", {"version": "3.0"})
    path = findings.transfer.path.encode("utf-8", "replace").decode()
    agent = f"headpass {findings.headpass}"
    event = _add(root, "event")
    _identifier(event, "eventIdentifier", type_="UUID", value=str(uuid.uuid5(uuid.NAMESPACE_URL, f"{path} {findings.created}")))
    _add(event, "eventType", EVENT_TYPE)
    _add(event, "eventDateTime", findings.created)
    _add(_add(event, "eventDetailInformation"), "eventDetail", f"Measured by {agent} for faults of playback and tape.")
    outcome = _add(event, "eventOutcomeInformation")
    _add(outcome, "eventOutcome", OUTCOME)
    verdict = f"{OUTCOME_WORDS[findings.verdict.outcome]}. {findings.verdict.text}"
    _add(_add(outcome, "eventOutcomeDetail"), "eventOutcomeDetailNote", verdict)
    _identifier(event, "linkingAgentIdentifier", type_="software", value=agent, role=ROLE)
    _identifier(event, "linkingObjectIdentifier", type_="path", value=path)
    who = _add(root, "agent")
    _identifier(who, "agentIdentifier", type_="software", value=agent)
    _add(who, "agentName", "headpass")
    _add(who, "agentType", "software")
    _add(who, "agentVersion", findings.headpass)
    ET.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ET.tostring(root, encoding="unicode")}\n'.encode()


def write_event(findings: Findings, paths: OutputPaths) -> Path:
    """Write NAME.premis.xml beside the other outputs, whole."""
    path = paths.folder / f"{paths.name}{ENDING}"
    write_whole(path, event_xml(findings))
    return path
