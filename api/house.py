"""What a running service stands on: database, photos, grader and hands; made once at its start."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from wearvision.grade import Grader
from wearvision.standard.checks import Checks, load_checks
from wearvision.standard.limits import load_limits
from wearvision_api.accounts.gate import ensure_local
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.record.heads import introduce
from wearvision_api.record.keys import RecordKey, open_key
from wearvision_api.returns.policy_table import Policy, load_policy
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.engine import open_engine
from wearvision_api.store.schema import settle
from wearvision_api.teaching.current import Current
from wearvision_api.teaching.gate import Gate, load_gate
from wearvision_api.teaching.models import ModelFiles
from wearvision_api.teaching.shadow import Shadow
from wearvision_api.work import Work


@dataclass(frozen=True)
class House:
    """The parts of a running service."""

    settings: Settings
    engine: Engine
    blobs: Blobs
    current: Current
    checks: Checks
    work: Work
    key: RecordKey
    policy: Policy
    gate: Gate
    shadow: Shadow
    figuring: Work = field(default_factory=lambda: Work(1, 3))
    """Figures over all returns take seconds: one at a time, so that nothing else waits for them."""
    passwords: Passwords = field(default_factory=Passwords)

    @property
    def grader(self) -> Grader:
        """The grader in use; it may be another one the next time, so take it once for one piece of work."""
        return self.current.grader

    @classmethod
    def open(cls, settings: Settings) -> House:
        """Opens everything, sees to the tables, makes the local account and names the record's key in it.

        Raises:
            wearvision.errors.SetupError: the tables do not fit this program, or the store lacks its library.
            wearvision.errors.LimitsError, wearvision_api.returns.policy_table.PolicyError,
                wearvision_api.teaching.gate.GateError: model, limits, the record's key, policy or gate cannot be used.
            sqlalchemy.exc.OperationalError: the database does not answer.
        """
        engine = open_engine(settings.database_url, connections=settings.connections)
        settle(engine, may_migrate=settings.migrate)
        blobs = Blobs(settings.blob_url)
        blobs.check()
        blobs.remove_drafts()
        files = ModelFiles(blobs, settings.data / "models")
        current = Current(engine, files, settings.model, load_limits(settings.limits))
        policy = load_policy(settings.policy)
        key = open_key(settings.record_key_path)
        house = cls(
            settings,
            engine,
            blobs,
            current,
            load_checks(),
            Work(settings.workers, settings.waiting),
            key,
            policy,
            load_gate(settings.gate),
            Shadow(engine, blobs, current),
        )
        with house.session() as session:
            ensure_local(session)
            introduce(session, key)
            session.commit()
        return house

    @contextmanager
    def session(self, *, writes: bool = True) -> Iterator[Session]:
        """A transaction; what was not committed is taken back.

        Args:
            writes: False for one that only reads, which waits for nobody.
        """
        with Session(self.engine.execution_options(writes=writes), expire_on_commit=False) as session:
            yield session

    def close(self) -> None:
        """Finishes what is in flight and lets go of everything."""
        self.work.close()
        self.figuring.close()
        self.engine.dispose()
