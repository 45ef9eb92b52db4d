-- What the engine's planner reckons with: how many rows an index has, and how many of them share its first column, its first
-- two, and so on.
--
-- Why it looks as it does:
-- * Without figures the planner takes ten rows to share a first column, whatever it is. Ours is the site: an index that only begins
--   with it looked as good as one that holds the whole key, and better where it spares a sort. A closing then walked every open
--   order and every closing of its site.
-- * The figures are those of ten shops of some 2,500 machines each after a few years, rounded, and are the same everywhere: plans
--   hang on nobody's having looked at the tables. Shops of another size, and one alone, are served as well: what counts is that
--   thousands of rows are of one site, and that a site's rows are still fewer than all.
-- * Whoever adds an index adds its figures here or in a later step; a test finds those that have none.

-- Makes the tables in which they stand, where they are not there, and looks at none of ours.
ANALYZE sqlite_schema;
DELETE FROM sqlite_stat1;
DELETE FROM sqlite_stat4;
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('adjustment', 'adjustment', '10000 1000 1 1 1'),
    ('check_order', 'sqlite_autoindex_check_order_1', '50000 5000 2 1'),
    ('checkpoint', 'sqlite_autoindex_checkpoint_1', '50000 5000 5000 1'),
    ('closing', 'sqlite_autoindex_closing_1', '500000 50000 1'),
    ('closing', 'closing_by_order', '500000 50000 1 1'),
    ('closing', 'closing_by_task', '500000 50000 4 1'),
    ('closing', 'closing_covered', '50000 5000 2'),
    ('closing', 'closing_by_done', '500000 50000 2 1'),
    ('due_calendar', 'sqlite_autoindex_due_calendar_1', '200 20 1'),
    ('due_calendar', 'due_calendar_by_hash', '20 1'),
    ('due_entry', 'sqlite_autoindex_due_entry_1', '50000 5000 1'),
    ('fleet_figures', 'fleet_figures', '300 30 2 1'),
    ('fluid_entry', 'sqlite_autoindex_fluid_entry_1', '100000 10000 1'),
    ('fluid_entry', 'fluid_entry_by_machine', '100000 10000 40 1 1'),
    ('fluid_entry', 'fluid_entry_by_closing', '50000 5000 1'),
    ('handover', 'sqlite_autoindex_handover_1', '10000 1000 1'),
    ('handover', 'handover_open', '200 20 1'),
    ('item', 'sqlite_autoindex_item_1', '3000 300 1'),
    ('item', 'sqlite_autoindex_item_2', '3000 300 1'),
    ('item', 'item_by_code', '3000 300 1'),
    ('journal_leaf', 'sqlite_autoindex_journal_leaf_1', '5000000 500000 1'),
    ('journal_leaf', 'journal_by_subject', '1000000 100000 5 1'),
    ('journal_leaf', 'journal_by_kind', '1000000 100000 5000 1'),
    ('journal_node', 'journal_node', '20000 2000 1000 1'),
    ('last_done', 'last_done', '150000 15000 1'),
    ('lease', 'sqlite_autoindex_lease_1', '20 2 1'),
    ('ledger', 'sqlite_autoindex_ledger_1', '4000000 400000 200000 1 1 1'),
    ('ledger', 'ledger_by_arrival', '4000000 400000 1'),
    ('ledger', 'ledger_by_meter', '4000000 400000 160 1 1'),
    ('ledger', 'ledger_readings', '500000 50000 100 1'),
    ('ledger', 'ledger_held', '10000 1000 1 1'),
    ('ledger', 'ledger_held_by_name', '10000 1000 20'),
    ('ledger', 'ledger_waiting', '10000 1000 1'),
    ('ledger', 'ledger_future', '1000 100 1'),
    ('machine', 'sqlite_autoindex_machine_1', '25000 2500 1'),
    ('machine', 'sqlite_autoindex_machine_2', '25000 2500 1'),
    ('machine', 'machine_by_area', '25000 2500 250 1'),
    ('machine', 'machine_forbidden', '100 10 1 1'),
    ('machine_name', 'machine_name', '25000 2500 1'),
    ('machine_name', 'machine_name_by_machine', '25000 2500 1'),
    ('meter', 'sqlite_autoindex_meter_1', '30000 3000 1'),
    ('meter', 'sqlite_autoindex_meter_2', '30000 3000 2 1'),
    ('meter_month', 'meter_month', '600000 60000 24 1'),
    ('outbound', 'sqlite_autoindex_outbound_1', '200000 20000 1'),
    ('outbound', 'outbound_by_closing', '200000 20000 1 1'),
    ('outbound', 'outbound_by_item', '10000 1000 5 1'),
    ('outbound_reader', 'sqlite_autoindex_outbound_reader_1', '30 3 1'),
    ('person', 'sqlite_autoindex_person_1', '200 1'),
    ('plan', 'sqlite_autoindex_plan_1', '150000 15000 1'),
    ('plan', 'plan_by_machine', '150000 15000 6'),
    ('plan', 'plan_in_order', '150000 15000 5000 2 1'),
    ('plan', 'plan_in_sure_order', '150000 15000 5000 2 1'),
    ('plan', 'plan_by_stamp', '150000 15000 15000 15000 15000 15000 15000 15000 1'),
    ('planned_period', 'planned_period', '5000 500 2 1'),
    ('planned_shift', 'planned_shift', '500000 50000 20 1 1'),
    ('planned_shift', 'planned_shift_in_order', '500000 50000 500 1 1'),
    ('point', 'sqlite_autoindex_point_1', '30000 3000 1'),
    ('point', 'sqlite_autoindex_point_2', '30000 3000 2 1'),
    ('reading', 'sqlite_autoindex_reading_1', '500000 50000 1'),
    ('reading', 'reading_by_point', '500000 50000 20 1 1'),
    ('reading', 'reading_by_machine', '500000 50000 20 1'),
    ('reading', 'reading_by_closing', '300000 30000 2'),
    ('reading', 'reading_out', '5000 500 2 1'),
    ('replacement', 'replacement', '1000 100 1 1'),
    ('request', 'request', '1000000 100000 20000 5000 1'),
    ('request', 'request_by_expiry', '20000 1'),
    ('rest', 'rest', '10000 1000 2 1'),
    ('round_record', 'sqlite_autoindex_round_record_1', '200000 20000 40 1'),
    ('rule_version', 'rule_version', '200000 20000 2 1'),
    ('sealed_note', 'sealed_note', '300000 30000 1'),
    ('sheet', 'sheet', '200 20 1'),
    ('site', 'sqlite_autoindex_site_1', '2 1'),
    ('source', 'source', '50 5 1'),
    ('stock_use', 'sqlite_autoindex_stock_use_1', '200000 20000 1'),
    ('stock_use', 'stock_use_by_closing', '200000 20000 1'),
    ('stock_use', 'stock_use_by_hand', '20000 2000 1'),
    ('task', 'sqlite_autoindex_task_1', '150000 15000 1'),
    ('task', 'sqlite_autoindex_task_2', '150000 15000 6 1'),
    ('task_cover', 'task_cover', '20000 2000 2 1'),
    ('token', 'sqlite_autoindex_token_1', '20 1'),
    ('work_order', 'sqlite_autoindex_work_order_1', '600000 60000 1'),
    ('work_order', 'order_by_task', '600000 60000 4 1'),
    ('work_order', 'order_by_machine', '600000 60000 25 1'),
    ('work_order', 'order_by_state', '600000 60000 15000 1'),
    ('work_order', 'order_skipped', '20000 2000 2 1'),
    ('work_order', 'order_planned_by_machine', '150000 15000 6 1'),
    ('work_order', 'order_one_planned', '150000 15000 1');

-- Has them read.
ANALYZE sqlite_schema;
