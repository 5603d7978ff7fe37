"""The workbench's requests: each looks at the session or asks it for one change, and answers in plain data.

A change names the revision it was made on. What the rulebook's readers refuse is answered with their sentences and 422,
a stale revision with 409; the session stands as it was.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from rectify.case.version import Finding
from rectify.errors import CaseError, RectifyError
from rectify.workbench.changes import EndChange, Name, Overlay, Point, RegionChange, RegionDrawn, RowChange
from rectify.workbench.differences import differences
from rectify.workbench.fitting import propose
from rectify.workbench.hand import hand_of
from rectify.workbench.session import Made, Session, Stale, Tried
from rectify.workbench.views import fault_view, made_view, state_view

__all__ = ["api_of"]

_WAIT_S = 20.0  # a request for a shape waits so long for the engine, then the page asks again
_FILES = {
    "stl": ("{case}-rectified.stl", "model/stl"),
    "3mf": ("{case}-rectified.3mf", "model/3mf"),
    "report": ("change-report.html", "text/html; charset=utf-8"),
    "facts": ("change-report.json", "application/json"),
    "plan": ("plan.yaml", "application/yaml"),
}


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")
    revision: int


class RegionBody(_Body):
    """One region anew; null: as the version has it."""

    name: Name
    change: RegionChange | None


class DrawnBody(_Body):
    """A region drawn by hand; null takes it away."""

    name: Name
    drawn: RegionDrawn | None


class OverallBody(_Body):
    """The overall rows; null: as the version has them."""

    change: RowChange | None


class EndBody(_Body):
    """The end; null: as the version has it."""

    change: EndChange | None


class LandmarkBody(_Body):
    """A landmark placed: points of the limb frame, mm; `accept`: where it stands; `as-was`: as the version has it."""

    name: Name
    place: Annotated[tuple[Point, ...], Field(min_length=1, max_length=60)] | Literal["absent", "accept", "as-was"]


class FindingsBody(_Body):
    """What was found at a fitting."""

    findings: Annotated[tuple[Finding, ...], Field(max_length=40)]


class SaveBody(_Body):
    """Who saves, and why."""

    by: str
    why: str


class BackBody(_Body):
    """The version to stand on."""

    version: Annotated[int, Field(ge=0, le=9999)]


def api_of(session: Session) -> APIRouter:
    """All requests of one session, under `/api`."""
    router = APIRouter(prefix="/api")
    _looking(router, session)
    _changing(router, session)
    _keeping(router, session)
    return router


def _answered(session: Session, act: Callable[[], object]) -> Response:
    """Do it, and answer with the state after it."""
    try:
        act()
    except Stale as problem:
        return JSONResponse({"faults": fault_view(problem), "state": state_view(session)}, status_code=409)
    except RectifyError as problem:
        return JSONResponse({"faults": fault_view(problem)}, status_code=422)
    return JSONResponse(state_view(session))


def _looking(router: APIRouter, session: Session) -> None:
    @router.get("/state")
    def state(after: Annotated[int | None, Query()] = None) -> Response:
        """The state; nothing (204) where it is still the one of revision `after`, and made."""
        if after == session.revision:
            return Response(status_code=204)
        return JSONResponse(state_view(session))

    @router.get("/shape")
    def shape() -> Response:
        """What the engine made of what stands now, for the viewer; 202 while it is at work."""
        made = session.made(wait_s=_WAIT_S)
        if made is None:
            return Response(status_code=202)
        if made.result is None:
            return JSONResponse(made_view(made), status_code=422)
        return Response(session.view(made).payload, media_type="application/octet-stream")

    @router.get("/found")
    def found() -> Response:
        """What the engine found, in figures; 202 while it is at work."""
        made = session.made(wait_s=_WAIT_S)
        return Response(status_code=202) if made is None else JSONResponse(made_view(made))

    @router.get("/hand/{name}")
    def hand(name: str) -> Response:
        """How the view follows one region's amount."""
        made = session.made(wait_s=_WAIT_S)
        if made is None or made.result is None:
            return Response(status_code=202)
        try:
            lines = hand_of(made.result.outcome, name, session.view(made).kept)
        except KeyError:
            return JSONResponse({"faults": [{"message": f"no region {name}"}]}, status_code=404)
        return Response(lines, media_type="application/octet-stream")

    @router.get("/proposals")
    def proposals() -> Response:
        """What might be tried after the findings, in order."""
        tried = session.tried()
        girth = 2.0 * 3.141592653589793 * tried.limb.chart.mean_radius(tried.limb.end_level_mm / 2.0)
        found = propose(tried.state.overlay.findings, tried.plan, girth)
        return JSONResponse([vars(proposal) for proposal in found])

    @router.get("/compare")
    def compare(a: Annotated[int, Query(ge=0)], b: Annotated[int, Query(ge=0)]) -> Response:
        """Two versions side by side."""
        try:
            return JSONResponse(differences(_finished(session, a), _finished(session, b)))
        except RectifyError as problem:
            return JSONResponse({"faults": fault_view(problem)}, status_code=422)


def _finished(session: Session, version: int) -> Made:
    made = session.version(version)
    if made.problem is not None:
        raise made.problem
    return made


def _changing(router: APIRouter, session: Session) -> None:
    @router.post("/region")
    def region(body: RegionBody) -> Response:
        def make(overlay: Overlay, _: Tried) -> Overlay:
            return overlay.with_region(body.name, body.change or RegionChange())

        return _answered(session, lambda: session.change(body.revision, make))

    @router.post("/drawn")
    def drawn(body: DrawnBody) -> Response:
        def make(overlay: Overlay, _: Tried) -> Overlay:
            rest = {name: one for name, one in overlay.drawn.items() if name != body.name}
            return overlay.model_copy(update={"drawn": rest if body.drawn is None else {**rest, body.name: body.drawn}})

        return _answered(session, lambda: session.change(body.revision, make))

    @router.post("/overall")
    def overall(body: OverallBody) -> Response:
        return _answered(session, lambda: session.change(body.revision, _updating("overall", body.change)))

    @router.post("/end")
    def end(body: EndBody) -> Response:
        return _answered(session, lambda: session.change(body.revision, _updating("end", body.change)))

    @router.post("/findings")
    def findings(body: FindingsBody) -> Response:
        return _answered(session, lambda: session.change(body.revision, _updating("findings", body.findings)))

    @router.post("/landmark")
    def landmark(body: LandmarkBody) -> Response:
        return _answered(session, lambda: session.change(body.revision, lambda o, t: _placed(session, body, o, t)))


def _updating(key: str, value: Any) -> Callable[[Overlay, Tried], Overlay]:
    return lambda overlay, _: overlay.model_copy(update={key: value})


def _placed(session: Session, body: LandmarkBody, overlay: Overlay, tried: Tried) -> Overlay:
    rest = {name: place for name, place in overlay.landmarks.items() if name != body.name}
    if body.place == "as-was":
        return overlay.model_copy(update={"landmarks": rest})
    if body.place == "absent":
        return overlay.model_copy(update={"landmarks": {**rest, body.name: "absent"}})
    points: Any = body.place
    if body.place == "accept":
        mark = tried.limb.landmarks.get(body.name)
        if mark is None or mark.absent:
            raise CaseError("stands nowhere, so there is nothing to accept", key=f"landmarks.{body.name}")
        points = mark.points
    own = session.to_scan(points)
    place = tuple(own[0]) if len(own) == 1 else tuple(tuple(point) for point in own)
    return overlay.model_copy(update={"landmarks": {**rest, body.name: place}})


def _keeping(router: APIRouter, session: Session) -> None:
    @router.post("/undo")
    def undo(body: _Body) -> Response:
        return _answered(session, lambda: session.undo(body.revision))

    @router.post("/redo")
    def redo(body: _Body) -> Response:
        return _answered(session, lambda: session.redo(body.revision))

    @router.post("/save")
    def save(body: SaveBody) -> Response:
        return _answered(session, lambda: session.save(body.revision, by=body.by, why=body.why))

    @router.post("/back")
    def back(body: BackBody) -> Response:
        return _answered(session, lambda: session.go_back_to(body.revision, body.version))

    @router.post("/take-up")
    def take_up(body: _Body) -> Response:
        return _answered(session, lambda: session.take_up(body.revision))

    @router.post("/throw-away")
    def throw_away(body: _Body) -> Response:
        return _answered(session, lambda: session.throw_away(body.revision))

    @router.get("/out/{version}/{kind}")
    def out(version: int, kind: str) -> Response:
        """A file of a saved version's result, the same bytes as `rectify apply --saved` writes."""
        if kind not in _FILES:
            return JSONResponse(
                {"faults": [{"message": f"no file {kind}", "wanted": ", ".join(_FILES)}]}, status_code=404
            )
        name, kind_of = _FILES[kind]
        name = name.format(case=session.code)
        try:
            made = _finished(session, version)
            assert made.result is not None
            with tempfile.TemporaryDirectory() as place:
                folder = made.result.save(
                    Path(place) / "result",
                    without=[part for part in ("stl", "3mf", "page") if part not in _parts(kind)],
                )
                data = (folder / name).read_bytes()
        except RectifyError as problem:
            return JSONResponse({"faults": fault_view(problem)}, status_code=422)
        return Response(data, media_type=kind_of, headers={"content-disposition": f'attachment; filename="{name}"'})


def _parts(kind: str) -> tuple[str, ...]:
    return {"stl": ("stl",), "3mf": ("3mf",), "report": ("page",)}.get(kind, ())
