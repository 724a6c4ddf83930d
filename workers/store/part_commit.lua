-- Commits what an analysis came to, once, and moves every job that waited for it on.
-- KEYS: 1 part, 2 its mesh, 3 set of its jobs, 4 parts waiting, 5 bytes of parts waiting, 6 events, 7 inbox,
--       8 counters, 9 index of analysing jobs, 10 index of the jobs' new state, 11 the part's history, 12 what it looks like.
-- ARGV: 1 token, 2 now, 3 the part's new state, 4 poses JSON ("" for none), 5 problem JSON ("" for none),
--       6 part id, 7 event data JSON, 8 history JSON, 9 events kept, 10 the jobs' new state (accepted or failed),
--       11 reason for the jobs, 12 the jobs' event data JSON, 13 the jobs' history JSON,
--       14 prefix of job keys, 15 prefix of the jobs' history keys,
--       16 what the part looks like ("" for not known).
-- The jobs' keys are made here from prefixes with the same hash tag as KEYS: a job that joins while this is
-- on its way must not be missed. Returns how many jobs were moved, -1 when the claim no longer holds.
if redis.call('HGET', KEYS[1], 'token') ~= ARGV[1] then return -1 end
redis.call('HSET', KEYS[1], 'state', ARGV[3], 'phase', 'done', 'percent', '100', 'updated_at', ARGV[2])
if ARGV[4] ~= '' then redis.call('HSET', KEYS[1], 'poses', ARGV[4]) end
if ARGV[5] ~= '' then redis.call('HSET', KEYS[1], 'problem', ARGV[5]) end
if ARGV[16] ~= '' then redis.call('SET', KEYS[12], ARGV[16]) end
redis.call('HDEL', KEYS[1], 'token', 'holder')
redis.call('HINCRBY', KEYS[1], 'version', 1)
redis.call('DEL', KEYS[2])
redis.call('ZREM', KEYS[4], ARGV[6])
redis.call('HDEL', KEYS[5], ARGV[6])
redis.call('XADD', KEYS[6], 'MAXLEN', '~', ARGV[9], '*', 'at', ARGV[2], 'kind', 'part.' .. ARGV[3],
  'subject', 'part/' .. ARGV[6], 'data', ARGV[7])
redis.call('RPUSH', KEYS[11], ARGV[8])
redis.call('HINCRBY', KEYS[8], 'parts_' .. ARGV[3], 1)
local jobs = redis.call('SMEMBERS', KEYS[3])
table.sort(jobs)  -- ids sort by time: first come, first served
local moved = 0
for _, id in ipairs(jobs) do
  local job = ARGV[14] .. id
  local now = redis.call('HMGET', job, 'state', 'attempt')
  if now[1] == 'analysing' then
    redis.call('HSET', job, 'state', ARGV[10], 'updated_at', ARGV[2], 'reason', ARGV[11])
    redis.call('HINCRBY', job, 'version', 1)
    redis.call('ZREM', KEYS[9], id)
    redis.call('ZADD', KEYS[10], 0, id)
    if ARGV[10] == 'accepted' then
      redis.call('XADD', KEYS[7], '*', 'job', id, 'attempt', now[2])
    else
      redis.call('HINCRBY', KEYS[8], 'jobs_' .. ARGV[10], 1)
    end
    redis.call('XADD', KEYS[6], 'MAXLEN', '~', ARGV[9], '*', 'at', ARGV[2], 'kind', 'job.' .. ARGV[10],
      'subject', 'job/' .. id, 'data', ARGV[12])
    redis.call('RPUSH', ARGV[15] .. id, ARGV[13])
    moved = moved + 1
  end
end
return moved
