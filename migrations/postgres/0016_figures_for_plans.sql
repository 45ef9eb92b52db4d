-- PostgreSQL looks at its tables itself (docs/decisions/0041-who-looks-at-the-tables.md). This step does nothing: both engines take
-- the same steps.
SELECT 1;
