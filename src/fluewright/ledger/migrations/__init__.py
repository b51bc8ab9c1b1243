"""How a ledger written by an older fluewright becomes one of today.

Each file in `versions` is one step, frozen once released, and imports nothing from the live schema. A new
step is written by hand: copy the newest file, set `revision` and `down_revision`, write the SQL, renew
`SCHEMA_REVISION` in `fluewright.ledger.schema`, and run the tests, which compare the outcome with the live
schema, CHECK constraints and triggers included. SQLite changes a column by rebuilding its table
(`op.batch_alter_table`); that drops the table's triggers, so create them again in the same step.
"""
