"""A release: who lets this result go to a machine, bound to the digest of plan and inputs.

Any edit of the scan, the landmarks, the case or the rulebook changes the digest; the release is stale then, and the
result is a draft again and says so.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from dataclasses import dataclass
from pathlib import Path

from rectify.case.case import CASE_FILE, Case
from rectify.case.model import day, who
from rectify.errors import CaseError, Faults, InputError, OutputError
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook import plan_digest
from rectify.rulebook.plan import Plan, Warn
from rectify.rulebook.words import Wrong
from rectify.rulebook.yamltext import Value, parse_yaml

__all__ = ["Standing", "digest_of", "release_blockers", "standing", "write_release"]


_NOT_TEXT = {"no", "yes", "on", "off", "true", "false", "null", "y", "n"}


@dataclass(frozen=True)
class Standing:
    """Whether a result is released.

    Parameters
    ----------
    status : "draft" or "released"
    by, on : who and when, where released
    digest : of plan and inputs
    reasons : why it is a draft
    """

    status: str
    by: str | None
    on: str | None
    digest: str
    reasons: tuple[Warn, ...]


def digest_of(case: Case, plan: Plan) -> str:
    """The sha256 of the plan and of everything the case says but its release line, the scan and landmarks included."""
    says = {key: value for key, value in case.document.mapping().items() if key != "release"}
    files = [(item.role, item.sha256) for item in case.inputs if item.role != "case"]
    return hashlib.sha256(json.dumps([plan_digest(plan), says, files], sort_keys=True).encode()).hexdigest()


def release_blockers(case: Case, plan: Plan) -> tuple[Warn, ...]:
    """What keeps this plan from being released, whoever wants to."""
    out = []
    if plan.status == "draft":
        out.append(
            Warn(
                "draft-rulebook", "look", f"the rulebook {plan.rulebook_key} is a draft: so are its results", "rulebook"
            )
        )
    marks = [need.removeprefix("landmark ") for need in plan.needs if need.startswith("landmark ")]
    out += [w for w in plan.warnings if w.code == "estimated-bone"]
    names = vocabulary(case.amputation)
    # a copy of what was rectified rests on its own shape: only the origin must be sure, and what changes rest on
    needed = dict.fromkeys((*(names.origin if case.says.scan.was_rectified else names.needed), *marks))
    for name in needed:
        mark = case.limb.landmarks.get(name)
        if mark is not None and (mark.absent or mark.source in ("marked", "mark")):
            if name == "tibial-crest" and not mark.absent and len(mark.points) < 2:
                out.append(
                    Warn(
                        "landmark-missing",
                        "look",
                        "tibial-crest needs two points before a release",
                        f"landmarks.{name}",
                    )
                )
            continue
        out.append(
            Warn("landmark-missing", "look", f"{name} must be marked before a result is released", f"landmarks.{name}")
        )
    return tuple(out)


def standing(case: Case, plan: Plan) -> Standing:
    """Draft or released, and why."""
    digest = digest_of(case, plan)
    reasons = list(release_blockers(case, plan))
    release = case.release
    if release is None:
        reasons.append(Warn("not-released", "look", "nobody has released this result: it is a draft", "release"))
    elif release.of != digest:
        reasons.append(
            Warn(
                "release-stale",
                "look",
                f"the release by {release.by} of {release.on} was of something else: plan or inputs have changed since",
                "release",
            )
        )
    if reasons or release is None:
        return Standing("draft", None, None, digest, tuple(reasons))
    return Standing("released", release.by, release.on, digest, ())


def write_release(case: Case, plan: Plan, *, by: str, on: str) -> str:
    """Write the release line into case.yaml, whole or not at all, and return the digest.

    Raises
    ------
    CaseError, Faults
        If something keeps the plan from being released, or the file cannot take the line.
    OutputError
        If the file cannot be written; it is as it was.
    """
    for key, check, value in (("by", who, by), ("on", day, on)):
        try:
            check(value)
        except Wrong as wrong:
            raise CaseError(wrong.message, key=key, wanted=wrong.wanted, hint=wrong.hint) from wrong
    blockers = release_blockers(case, plan)
    if blockers:
        faults: list[InputError] = [CaseError(w.message, path=case.document.path, key=w.where) for w in blockers]
        raise faults[0] if len(faults) == 1 else Faults(faults)
    digest = digest_of(case, plan)
    file = case.folder / Path(case.document.path).name if case.document.path else case.folder / CASE_FILE
    try:
        text = file.read_bytes().decode("utf-8")  # as bytes, so that line ends stay what they are
        made = _with_release(text, f"release: {{by: {_quoted(by)}, on: {on}, of: {digest}}}")
        _must_say_the_same(made, case)
        _put(file.resolve(), made.encode("utf-8"))  # through a link, into the file it names
    except OSError as problem:
        raise OutputError(
            "the release cannot be written",
            path=file,
            found=problem.strerror or str(problem),
            hint="the case file is as it was; release where you may write, on a disk with room",
        ) from problem
    return digest


def _with_release(text: str, line: str) -> str:
    end = "\r\n" if "\r\n" in text else "\n"
    kept = _without_release(text)
    return kept + ("" if kept.endswith("\n") else end) + line + end


def _must_say_the_same(text: str, case: Case) -> None:
    """Refuse a file that would not be read as before with the release in it: in braces, say, or edited meanwhile."""

    def rest(says: dict[str, Value]) -> dict[str, Value]:
        return {key: value for key, value in says.items() if key != "release"}

    try:
        says = parse_yaml(text, path=case.document.path, error=CaseError).mapping(CaseError)
    except InputError:
        says = {}
    if rest(says) != rest(case.document.mapping()) or not isinstance(says.get("release"), dict):
        raise CaseError(
            "cannot take a line for the release: it was changed meanwhile, or is not written one key a line",
            path=case.document.path,
            key="release",
            wanted="key: value, beginning at the left margin, nothing after the last key",
            hint="write it so and release again; nothing was changed",
        )


def _put(file: Path, data: bytes) -> None:
    """A file's new content, whole or not at all."""
    aside = file.with_name(f".{file.name}.new")
    try:
        with aside.open("wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        shutil.copymode(file, aside)
        aside.replace(file)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise


def _quoted(word: str) -> str:
    """A word that YAML might take for something else than text, in quotes."""
    return word if re.fullmatch(r"[A-Z]+(-[a-z]+)?", word) and word.lower() not in _NOT_TEXT else f"'{word}'"


def _without_release(text: str) -> str:
    """The file's text less its release entry; everything else stays to the letter."""
    kept, inside = [], False
    for line in text.splitlines(keepends=True):
        if line.startswith("release:"):
            inside = True
            continue
        if inside and (line[:1] in (" ", "\t") or not line.strip()):
            continue
        inside = False
        kept.append(line)
    return "".join(kept)
