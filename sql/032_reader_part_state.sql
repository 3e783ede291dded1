-- Grain   two more columns of the reader's part: the file's size and time of change when it was written
-- Why     a part that was removed or changed from outside is written anew; null = written by an earlier release
ALTER TABLE reader_part ADD COLUMN bytes BIGINT;
ALTER TABLE reader_part ADD COLUMN mtime_ns BIGINT;
