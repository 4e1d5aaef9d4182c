-- The row account, straight from the ledger: what became of every manifest row, by delivery.
CREATE OR REPLACE VIEW row_account AS
SELECT
    delivery,
    count(*) AS rows,
    count(*) FILTER (WHERE state = 'held') AS held,
    count(*) FILTER (WHERE state = 'superseded') AS superseded,
    count(*) FILTER (WHERE state = 'duplicate') AS duplicates,
    count(*) FILTER (WHERE state = 'quarantined') AS quarantined
FROM manifest_rows
GROUP BY delivery;
