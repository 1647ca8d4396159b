"""Examples, labels and permissions as JSON."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from wearvision_api.routes.schemas import Body, Line, Moment, Page, Public, RecordId, Remark

Reason = Annotated[Remark, StringConstraints(min_length=3)]
Asks = Literal["label", "third", "again", "correction", "nothing"]
State = Literal["to label", "waiting", "second", "third", "again", "settled", "left out"]


class LabelCreate(Body):
    """What one person says of an example."""

    id: RecordId | None = Field(None, description="Chosen by the caller, for work without a link.")
    body: dict[str, Any] = Field(description="A label; GET /standard/labels says what is asked of which part and view.")
    seconds: float | None = Field(None, ge=0, le=1e9, description="From the picture shown to the label saved.")


class MeasureAsk(Body):
    """A label whose marks are to be measured; nothing is kept."""

    body: dict[str, Any]


class MeasuredPublic(Public):
    """What marks and matches come to, by measure."""

    measured: dict[str, Any]


class LabelPublic(Public):
    """A label; it never changes."""

    id: RecordId
    created_at: Moment
    by: str
    turn: int = Field(description="1 first, 2 second and blind, 3 third person, 4 shown again in doubt.")
    body: dict[str, Any]
    measured: dict[str, Any]
    seconds: float | None
    withdrawn_at: Moment | None = Field(description="When its author took it back.")


class DifferencePublic(Public):
    """A field in which two labels differ, and what each says."""

    field: str
    one: Any
    other: Any


class ExamplePublic(Public):
    """A photo to label, as far as the caller may see it: nothing of others' labels, of the model's opinion or of why it
    came up before the own label is saved."""

    id: RecordId
    created_at: Moment
    photo: RecordId = Field(description="Its picture is at /photos/{id}/content?width=…")
    sha256: str
    width: int = Field(description="Of the upright photo, pixels; points of a label are shares of it.")
    height: int
    source: str
    state: State = Field(description="`to label` to those who have not labelled it yet.")
    asks: Asks = Field(description="What a label of the caller's would be.")
    own: LabelPublic | None = Field(description="The caller's newest label that stands.")
    labels: list[LabelPublic] = Field(description="Those that count, oldest first; empty while the caller is blind.")
    differences: list[DifferencePublic] = Field(description="Where the first two labels differ.")
    doubt: dict[str, Any] | None = Field(description="What the doubting model says, where it is shown again.")
    opinion: dict[str, Any] | None = Field(description="The model's report; null before the own label is saved.")
    truth: dict[str, Any] | None
    teaches: dict[str, float] | None
    machine: str | None
    split: str | None
    left_out: dict[str, Any] | None
    version: int


class NextPublic(Public):
    """What to label next."""

    example: ExamplePublic | None
    waiting: int = Field(description="How many the caller can label now, this one included.")
    say: str = Field(description="Why there is none; empty where there is one.")


class LabelSaved(Public):
    """A label that was saved, with what the caller may see from now on."""

    label: LabelPublic
    opinion: dict[str, Any] | None = Field(description="The model's report beside it.")
    example: ExamplePublic


class ExamplePage(Page):
    """A page of examples, newest first."""

    items: list[ExamplePublic]


class CountsPublic(Public):
    """How far teaching has come."""

    states: dict[str, int] = Field(description="Examples by state.")
    settled: dict[str, int] = Field(description="Settled examples by `part, grade`.")
    splits: dict[str, int] = Field(description="Settled examples by split.")
    random: int = Field(description="Labelled examples of the random sample, over which rates are counted.")
    permitted: int = Field(description="Photos with permission that are no example yet.")


class LeaveOut(Body):
    """Why an example is left out."""

    reason: Reason


class TakenIn(Public):
    """What was taken in."""

    added: int
    examples: list[RecordId]


class PermissionCreate(Body):
    """Lets the photos of inspections or returns be used to teach, for an administrator; at least one must be named."""

    inspections: Literal["all"] | list[RecordId] = Field(default_factory=list, description="Ids, or `all`.")
    returns: list[Line] = Field(default_factory=list, max_length=500, description="Ids or numbers.")
    ground: Reason = Field(description="On what ground, such as: own machines.")


class GradePermission(Body):
    """Lets the photos of one's own grade be used to teach."""

    ground: Reason = "own part"


class PermissionPublic(Public):
    """What a permission brought."""

    photos: int = Field(description="How many have it now that had not.")
    examples: list[RecordId] = Field(description="Those that became examples, or are examples again.")


class Withdrawal(Body):
    """Takes permission back."""

    reason: Reason


class PhotosWithdrawal(Withdrawal):
    """Takes permission back for photos, for an administrator."""

    photos: list[RecordId] = Field(min_length=1, max_length=500)


class WithdrawnPublic(Public):
    """What was withdrawn, and who has learned from it already."""

    photos: int
    left_out: list[RecordId]
    sets: list[str] = Field(description="Frozen sets that hold one of the photos; later ones skip them.")
    models: list[str] = Field(description="Models taught with these sets; they keep what they learned.")
    say: str


class ModeAsked(Public):
    """A wear mode that is asked, with the standard's words."""

    key: str
    measure: str
    title: str
    grades: list[str]
    begins: dict[str, str] = Field(description="For each grade the values that it takes, in words.")
    what: str = Field(description="What the measure is.")
    look: str = Field(description="How the mode shows in a picture.")
    permanent: bool
    region: str | None


class MarkAsked(Public):
    """Something that can be drawn."""

    key: str
    title: str
    shape: str
    points: int = Field(description="Fewest points from which it is measured.")


class AskedPublic(Public):
    """What is asked of one view of one part."""

    part: str
    view: str
    modes: list[ModeAsked]
    marks: list[MarkAsked]
    regions: list[MarkAsked]
    matches: list[str]
    by_hand: dict[str, list[str]] = Field(description="Measure to the marks without which it is not measured.")


class AskedOfAll(Public):
    """What is asked of every view of every part."""

    views: list[AskedPublic]
    faults: dict[str, str] = Field(description="What can make a photo unfit, with the advice that mends it.")
