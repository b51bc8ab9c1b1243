"""The models that pieces are made to, version by version."""

import tomllib
from datetime import UTC, datetime

from sqlalchemy import select

from fluewright.errors import LedgerError
from fluewright.ledger.chain import text_sha256
from fluewright.ledger.records import ModelVersion
from fluewright.ledger.rows import model_row, newest_model_row
from fluewright.ledger.schema import EventKind, ModelRow, time_text
from fluewright.ledger.transactions import OpenLedger
from fluewright.ledger.values import checked_text

__all__ = ["ModelVersions"]


class ModelVersions(OpenLedger):
    """What a ledger keeps and answers about models."""

    def add_model(self, name: str, toml_text: str, *, lineage: str | None = None) -> ModelVersion:
        """Keep the text of a model file as its next version.

        Parameters
        ----------
        name : str
            Name of the model.
        toml_text : str
            The whole file. The same text as the newest version's adds nothing and returns that version.
        lineage : str, optional
            Which model and version it came from.

        Raises
        ------
        LedgerError
            The text is not TOML, or the name is empty.
        """
        name = checked_text("name", name, most=120)
        if lineage is not None:
            lineage = checked_text("lineage", lineage, most=400)
        if not isinstance(toml_text, str):
            raise LedgerError(f"model {name} is a {type(toml_text).__name__}, not a text: give the file's text.")
        try:
            toml_text.encode("utf-8")
            tomllib.loads(toml_text)
        except (tomllib.TOMLDecodeError, UnicodeEncodeError) as error:
            raise LedgerError(f"model {name} is not a TOML text ({error}): mend the file first.") from error
        with self._write() as session:
            newest = newest_model_row(session, name)
            if newest is not None and newest.toml_text == toml_text:
                return _model_record(newest)
            now = datetime.now(UTC)
            row = ModelRow(
                name=name,
                version=1 if newest is None else newest.version + 1,
                toml_text=toml_text,
                toml_sha256=text_sha256(toml_text),
                lineage=lineage,
                added_at=now,
            )
            session.add(row)
            session.flush()
            details = {
                "name": row.name,
                "version": row.version,
                "toml_sha256": row.toml_sha256,
                "lineage": row.lineage,
                "added_at": time_text(now),
            }
            self._append(session, EventKind.MODEL_ADDED, None, details, {}, {}, recorded_at=now)
            return _model_record(row)

    def models(self) -> list[ModelVersion]:
        """Return every version of every model, by name and version."""
        with self._read() as session:
            rows = session.scalars(select(ModelRow).order_by(ModelRow.name, ModelRow.version))
            return [_model_record(row) for row in rows]

    def model(self, name: str, version: int | None = None) -> ModelVersion:
        """Return one version of a model, the newest when `version` is None.

        Raises
        ------
        LedgerError
            There is no such model or version.
        """
        with self._read() as session:
            return _model_record(model_row(session, name, version))


def _model_record(row: ModelRow) -> ModelVersion:
    return ModelVersion(
        name=row.name,
        version=row.version,
        toml_text=row.toml_text,
        toml_sha256=row.toml_sha256,
        lineage=row.lineage,
        added_at=row.added_at,
    )
