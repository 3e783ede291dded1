-- Grain   one expression: the list of the parts' paths, for a view of the analyst's database
-- Source  $files: paths below the reader's folder; $home: that folder as it was when the view was written
-- Why     a view must find its parts from any working directory, and after its folder was copied or moved. A table
--         function takes no subquery, so duckdb_databases() cannot be asked; but where a session was opened on the
--         database itself, its temp_directory is by default the database's own absolute path and '.tmp'. A session that
--         attached the database knows no such path: it reads where the view was written, or where SET VARIABLE
--         noonmark_reader = '...' says.
list_transform($files, lambda file: coalesce(
    CAST(getvariable('noonmark_reader') AS VARCHAR),
    CASE WHEN ends_with(current_setting('temp_directory'), 'noonmark.duckdb.tmp')
        THEN parse_dirpath(current_setting('temp_directory')) END,
    $home) || '/' || file)
