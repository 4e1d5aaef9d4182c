-- The samples of every stored waveform, one row per waveform, channel and sample, straight from the Parquet chunks.
-- Samples kept as whole recorder steps (see pipelines/storage/waveforms.py) come back bit for bit; NaN marks a missing one.
SELECT
    waveform_id,
    channel,
    time_ns * 1e-9 AS time_s,
    CASE
        WHEN code IS NULL THEN single
        WHEN code = -32768 THEN 'NaN'::FLOAT
        ELSE ((code::DOUBLE + base) * step)::FLOAT
    END AS value
FROM (
    SELECT
        chunk.waveform_id,
        chunk.channel,
        chunk.base,
        chunk.step,
        unnest(coalesce(uneven.times_ns, range(0, chunk.samples * chunk.step_ns, chunk.step_ns))) AS time_ns,
        unnest(chunk.codes) AS code,
        unnest(chunk."values") AS single
    FROM read_parquet($chunks) AS chunk
    LEFT JOIN (SELECT waveform_id, times_ns FROM read_parquet($chunks) WHERE channel = 'time_s') AS uneven
        USING (waveform_id)
    WHERE chunk.channel <> 'time_s'
)
