"""The case folder: opens capture, landmarks, rulebook and tunings, and ties them together.

    case.yaml        who this limb is (a code), how it was captured, which rulebook, what was tuned
    scan.*           the capture
    landmarks.yaml   or inside case.yaml

Opening reads and checks; nothing is ever written but by `release`. Files named by a case lie in its folder.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

from rectify.capture import Repaired, Step
from rectify.case.files import inside
from rectify.case.model import CaseModel, ReleaseModel
from rectify.case.version import Saved
from rectify.case.wear import Wear, compare_wear, thickness, worn_of
from rectify.errors import CaseError, InputError
from rectify.limb.landmarks import RawLandmark
from rectify.limb.limb import Limb
from rectify.limb.offset import offset_limb
from rectify.limb.sanity import check_landmarks, doubtful
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook import Rulebook, Tuning, is_resolved, load_rulebook, read_plan, read_tune, resolve
from rectify.rulebook.facts import Facts, Layer, TapeValue
from rectify.rulebook.places import Places
from rectify.rulebook.plan import Plan, Warn
from rectify.rulebook.tuning import share_said
from rectify.rulebook.yamltext import Document, KeyPath

if TYPE_CHECKING:
    from rectify.marks import MarkReading

__all__ = ["CASE_FILE", "Case", "Input"]

CASE_FILE = "case.yaml"


@dataclass(frozen=True)
class Input:
    """A file that went in."""

    role: str  # case | scan | landmarks | rulebook | version
    file: str
    sha256: str


@dataclass(frozen=True, eq=False)
class Case:
    """One limb's case, opened.

    Parameters
    ----------
    folder : Path
    says : CaseModel
        case.yaml as read.
    document : Document
        For lines in sentences.
    scan : Repaired
        The capture in mm, in its own axes, mended, its faces outward; and what was done to it.
    raw_landmarks : name -> RawLandmark
        In the capture's axes, mm.
    inputs : tuple of Input
    mm : float
        Millimetres to one of the scan's own units.
    saved : Saved or None
        The saved version that is laid over the case; `with_saved` lays another.
    """

    folder: Path
    says: CaseModel
    document: Document
    scan: Repaired
    raw_landmarks: dict[str, RawLandmark]
    inputs: tuple[Input, ...]
    mm: float
    saved: Saved | None = None

    def with_saved(self, saved: Saved | None, sha256: str = "") -> Case:
        """The same case with another saved version laid over it, or with none; what does not depend on it is kept.

        Parameters
        ----------
        saved : Saved or None
        sha256 : str
            Of the version's file.
        """
        inputs = tuple(item for item in self.inputs if item.role != "version")
        if saved is not None:
            inputs = (*inputs, Input("version", saved.file, sha256))
        other = replace(self, saved=saved, inputs=inputs)
        if _same_places(self.landmarks_given, other.landmarks_given):
            for name in ("reading", "captured", "limb", "wear", "facts"):
                if name in self.__dict__:
                    other.__dict__[name] = self.__dict__[name]
        return other

    @property
    def landmarks_given(self) -> dict[str, RawLandmark]:
        """What a person marked: the case's landmarks, those of the saved version laid over them."""
        return {**self.raw_landmarks, **(self.saved.landmarks if self.saved else {})}

    def files(self, rulebook: str | Path | None = None) -> list[Path]:
        """Every file that a result is made from; `rulebook` as `resolved` takes it."""
        named = self.says.rulebook if rulebook is None else None
        books = [Path(rulebook)] if rulebook is not None else [self.folder / named] if named is not None else []
        return [*(self.folder / item.file for item in self.inputs), *(book for book in books if book.is_file())]

    @property
    def code(self) -> str:
        """The case's code."""
        return self.says.case

    @property
    def side(self) -> str:
        """left or right."""
        return self.says.side

    @property
    def amputation(self) -> str:
        """As in the case file."""
        return self.says.amputation

    @property
    def scan_sha256(self) -> str:
        """Of the scan's file."""
        return next(item.sha256 for item in self.inputs if item.role == "scan")

    @property
    def release(self) -> ReleaseModel | None:
        """As written; whether it still holds is `release_digest`'s to say."""
        return self.says.release

    @cached_property
    def reading(self) -> MarkReading | None:
        """The pencil marks of the capture, where the case says that it has some."""
        marks = self.says.scan.marks
        if marks is None:
            return None
        if self.scan.mesh.colours is None:
            raise CaseError(
                "says that the scan carries pencil marks, but it carries no colours",
                path=self.document.path,
                line=self.document.line(("scan", "marks")),
                key="scan.marks",
                wanted="a PLY, OBJ or GLB file with a colour for each vertex",
                hint="export the scan with its colours, or take `marks` out",
            )
        from rectify.marks import read_marks

        return read_marks(
            self.scan.mesh,
            side=self.side,
            amputation=self.amputation,
            colour=marks.colour,
            landmarks=self.landmarks_given,
        )

    @cached_property
    def _from_marks(self) -> dict[str, RawLandmark]:
        if self.reading is None:
            return {}
        from rectify.marks import marks_as_landmarks

        sure = marks_as_landmarks(self.reading)
        return {name: replace(raw, source="mark") for name, raw in sure.items() if name not in self.landmarks_given}

    @cached_property
    def captured(self) -> Limb:
        """The limb as captured, in its own frame, landmarks checked.

        Raises
        ------
        MeshError, LandmarkError, Faults
        """
        limb = Limb.from_capture(
            self.scan.mesh,
            side=self.side,
            amputation=self.amputation,
            landmarks={**self._from_marks, **self.landmarks_given},
            invented=self.scan.invented,
            path=self.says.scan.file,
        )
        check_landmarks(limb, path=self._landmarks_file, lines={n: raw.line for n, raw in self.landmarks_given.items()})
        return limb

    @property
    def _landmarks_file(self) -> str:
        named = self.says.landmarks
        return str(self.folder / named) if isinstance(named, str) else self.document.path

    @cached_property
    def limb(self) -> Limb:
        """The limb to be rectified: as captured, made up by the difference between what lay over the skin and what
        will be worn over it. Nothing is estimated on it: see `resolved`."""
        return offset_limb(self.captured, self.wear.offset_mm)

    @cached_property
    def wear(self) -> Wear:
        """What lay between skin and captured surface against what will be worn."""
        return compare_wear(self.says.scan.between, self.says.wear)

    @property
    def steps(self) -> tuple[Step, ...]:
        """What was done to the capture, in order."""
        return (*self.scan.steps, *self.wear.steps)

    @cached_property
    def facts(self) -> Facts:
        """What a rulebook's `when` and `dimensions` may ask."""
        scan, limb = self.says.scan, self.says.limb
        worn = worn_of(scan.between, self.says.wear)
        return Facts(
            shaping=scan.shaping,
            surface=scan.surface,
            rectified=scan.was_rectified,
            tissue=limb.tissue,
            sensation=limb.sensation,
            circulation=limb.circulation,
            skin=limb.skin,
            volume=limb.volume,
            suspension=self.says.suspension,
            shape=self.limb.shape_class()[0],
            length=self.limb.length_class(),
            liner_mm=_liner(worn),
            worn_mm=float(sum(map(thickness, worn))),
            layers=scan.between,
            tape=tuple(
                TapeValue(t.measure, t.at, t.offset_mm, t.value.value, t.over, t.tension) for t in self.says.tape
            ),
        )

    def plan(
        self,
        rulebook: str | Path | None = None,
        *,
        sets: Sequence[str] = (),
        by: str | None = None,
        why: str | None = None,
        on: str | None = None,
    ) -> Plan:
        """The rulebook resolved for this limb, its tunings laid over it; parameters as `resolved`."""
        return self.resolved(rulebook, sets=sets, by=by, why=why, on=on)[1]

    def resolved(
        self,
        rulebook: str | Path | None = None,
        *,
        sets: Sequence[str] = (),
        by: str | None = None,
        why: str | None = None,
        on: str | None = None,
    ) -> tuple[Limb, Plan]:
        """The limb, with what the rulebook needs and nobody marked estimated on it, and the rulebook resolved for it.

        Parameters
        ----------
        rulebook : name or path, optional
            Instead of the case's own. A plan (`resolved: true`) is taken as it stands.
        sets : such as "popliteal.amount=3mm"
            Further changes, as on the command line.
        by, why, on : str, optional
            Who makes them, why, and when (ISO date).

        Raises
        ------
        RulesError, LandmarkError, Faults
        """
        path = self.rulebook_given(rulebook)
        if isinstance(path, Path) and is_resolved(path):
            if sets:
                raise CaseError(
                    "a resolved plan is taken as it stands", key="--set", hint="tune the case, or use its rulebook"
                )
            plan = read_plan(path, scan_sha256=self.scan_sha256)
            return self._with_estimates([r.anchor.landmark for r in plan.regions if r.anchor.landmark]), plan
        book = load_rulebook(path, folder=self.folder, share=share_said(self.says.tune, sets))
        if book.amputation != self.amputation:
            raise CaseError(
                f"the rulebook {book.key} is for a {book.amputation} limb",
                path=self.document.path,
                line=self.document.line(("rulebook",)),
                key="rulebook",
                wanted=f"one for {self.amputation}",
                hint="`rectify rules list` shows what there is",
            )
        limb = self._with_estimates(self._wanted(book, sets))
        resolved = partial(
            resolve,
            book,
            limb,
            self.facts,
            tune=self._tunings(book),
            sets=sets,
            by=by,
            why=why,
            on=on,
            scan_sha256=self.scan_sha256,
            places=Places(limb),
        )
        solves = any(d.by for d in book.says.dimensions) and not self.facts.rectified
        return limb, self._with_dimensions(resolved, limb) if solves else resolved()

    def _tunings(self, book: Rulebook) -> tuple[Tuning, ...]:
        """The case's, then those of the saved version."""
        own = read_tune(self.says.tune, book, self._where)
        if self.saved is None:
            return own
        added = {name for t in own for name, change in t.says.regions.items() if change.add is not None}
        return (*own, *read_tune(self.saved.tune, book, self.saved.where, also=added))

    def _with_dimensions(self, resolved: Callable[..., Plan], limb: Limb) -> Plan:
        """The plan with the amounts that its dimensions ask for, and the tunings laid over them."""
        from rectify.engine.dimensions import solve_dimensions

        try:
            bare = resolved(bare=True)
        except InputError:
            return resolved()  # tells of everything that is wrong, amounts too
        return resolved(solution=solve_dimensions(limb, bare))

    def _with_estimates(self, names: Sequence[str]) -> Limb:
        missing = [name for name in dict.fromkeys(names) if name not in self.limb.landmarks]
        if not missing:
            return self.limb
        from rectify.limb.estimates import estimate

        return replace(self.limb, landmarks={**estimate(self.limb, missing), **self.limb.landmarks})

    def _wanted(self, book: Rulebook, sets: Sequence[str]) -> list[str]:
        """The landmarks that are estimated where nobody marked them: what the rulebook, a release and the tunings speak
        of; of a capture that is rectified already only what its changes are laid out on."""
        said = f"{self.says.tune} {self.saved.tune if self.saved else ''} {sets}"
        tuned = set(re.findall(r"[a-z]+(?:-[a-z]+)*", said))
        names = vocabulary(self.amputation)
        spoken = sorted(tuned & set(names.names))
        if not self.facts.rectified:
            return [*book.landmarks(), *names.needed, *spoken]
        changed = {f"regions.{name}" for name in tuned} | tuned & {"overall", "end"}
        own = [n for n, keys in book.landmarks().items() if any(_part(key) in changed for key in keys)]
        return [*own, *spoken]

    def _where(self, keys: KeyPath) -> tuple[str, int | None]:
        return self.document.path, self.document.line(keys)

    def rulebook_given(self, rulebook: str | Path | None = None) -> str | Path:
        """The name or path of the rulebook: the one given, else the case's own.

        Raises
        ------
        CaseError, FileError
        """
        if rulebook is not None:
            given = Path(rulebook)
            return given if given.suffix in (".yaml", ".yml") or isinstance(rulebook, Path) else str(rulebook)
        named = self.says.rulebook
        if named is None:
            raise CaseError(
                "names no rulebook",
                path=self.document.path,
                key="rulebook",
                hint="write `rulebook: NAME`, or give --rulebook NAME; `rectify rules list` shows what there is",
            )
        if named.endswith((".yaml", ".yml")):
            return inside(self.folder, named, self.document, ("rulebook",))
        return named

    def warnings(self) -> tuple[Warn, ...]:
        """What a person should know of the case itself, before any rulebook."""
        out = [Warn(code, "look", sentence, f"landmarks.{name}") for code, name, sentence in doubtful(self.captured)]
        out += [Warn("frame-unsure", "look", note, "landmarks") for note in self.captured.notes]
        out += [Warn(step.code, "look", step.message, "scan") for step in self.steps if step.look]
        noise = self.captured.profile.noise_mm
        if noise > 0.0:
            message = f"the scan is rough by some {noise:.1f} mm: girths and widths are of outlines freed of that"
            out.append(Warn("rough-scan", "note", message, "scan"))
        out += self.wear.warnings
        if self.says.scan.surface == "positive-model" and self.says.scan.rectified is None:
            message = "the case does not say whether the model was rectified already: taken as not"
            out.append(Warn("rectified-not-said", "look", message, "scan.rectified"))
        out += self._mark_warnings()
        return tuple(out)

    def _mark_warnings(self) -> list[Warn]:
        if self.reading is None:
            return []
        from rectify.marks import SURE

        out = [Warn("marks", "note", note, "scan.marks") for note in self.reading.notes]
        for proposal in self.reading.proposals:
            mark = self.reading.marks[proposal.mark]
            if proposal.given or (proposal.name is not None and proposal.confidence >= SURE):
                continue
            guess = f"perhaps {proposal.name} ({proposal.confidence:.0%})" if proposal.name else "it fits no name"
            out.append(
                Warn(
                    "mark-unnamed",
                    "note",
                    f"a {mark.kind} is not named: {guess}; `rectify marks` lists it",
                    "scan.marks",
                )
            )
        return out


def _same_places(some: dict[str, RawLandmark], others: dict[str, RawLandmark]) -> bool:
    return some.keys() == others.keys() and all(some[name] is others[name] for name in some)


def _part(key: str) -> str:
    """`regions.fibular-head` of `regions.fibular-head.at`; `overall` of `overall.rows[0].at`."""
    words = key.replace("[", ".").split(".")
    return ".".join(words[:2]) if words[0] == "regions" else words[0]


def _liner(worn: tuple[Layer, ...]) -> float:
    return float(sum(layer.thickness_mm for layer in worn if "liner" in layer.kind))
