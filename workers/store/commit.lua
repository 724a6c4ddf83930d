-- Commits what one batch came to, each job exactly once.
-- KEYS: 1 inbox, 2 events, 3 counters, then for each job: job hash, index of accepted, index of the new state,
--       history list (4 keys a job).
-- ARGV: 1 consumer group, 2 now, 3 events kept, then for each job: inbox entry id, attempt, new state, routing JSON
--       ("" for none), reason, job id, event data JSON, history JSON (8 values a job).
-- A job that is no longer accepted in this attempt (cancelled, routed by another worker, tried again) is left
-- as it is; its inbox entry is acknowledged all the same. Returns how many were committed.
local committed = 0
local count = (#KEYS - 3) / 4
for i = 0, count - 1 do
  local job, accepted, target, history = KEYS[4 + 4 * i], KEYS[5 + 4 * i], KEYS[6 + 4 * i], KEYS[7 + 4 * i]
  local a = 4 + 8 * i
  local entry, attempt, state, routing, reason = ARGV[a], ARGV[a + 1], ARGV[a + 2], ARGV[a + 3], ARGV[a + 4]
  local id, data, line = ARGV[a + 5], ARGV[a + 6], ARGV[a + 7]
  local now = redis.call('HMGET', job, 'state', 'attempt')
  if now[1] == 'accepted' and now[2] == attempt then
    redis.call('HSET', job, 'state', state, 'updated_at', ARGV[2], 'reason', reason)
    if routing ~= '' then redis.call('HSET', job, 'routing', routing) end
    redis.call('HINCRBY', job, 'version', 1)
    redis.call('ZREM', accepted, id)
    redis.call('ZADD', target, 0, id)
    redis.call('XADD', KEYS[2], 'MAXLEN', '~', ARGV[3], '*', 'at', ARGV[2], 'kind', 'job.' .. state,
      'subject', 'job/' .. id, 'data', data)
    redis.call('RPUSH', history, line)
    redis.call('HINCRBY', KEYS[3], 'jobs_' .. state, 1)
    committed = committed + 1
  end
  redis.call('XACK', KEYS[1], ARGV[1], entry)
  redis.call('XDEL', KEYS[1], entry)
end
return committed
