-- Gives the part that waits longest to one worker, for a time.
-- KEYS: 1 parts waiting, 2 events.
-- ARGV: 1 seconds of the claim, 2 now (caller's clock, for the record), 3 holder, 4 token, 5 events kept,
--       6 prefix of part keys, 7 prefix of history keys.
-- The part's own keys are made here from prefixes with the same hash tag as KEYS: which part it is, only the
-- script knows. Claims run on the store's clock. Returns {id, attempt}, or nil when nothing waits.
local time = redis.call('TIME')
local now = tonumber(time[1]) + tonumber(time[2]) / 1e6
while true do
  local id = redis.call('ZRANGEBYSCORE', KEYS[1], '-inf', now, 'LIMIT', 0, 1)[1]
  if not id then return false end
  local part = ARGV[6] .. id
  local state = redis.call('HGET', part, 'state')
  if state == 'accepted' or state == 'analysing' then
    redis.call('ZADD', KEYS[1], now + tonumber(ARGV[1]), id)
    redis.call('HSET', part, 'state', 'analysing', 'holder', ARGV[3], 'token', ARGV[4], 'phase', 'begun',
      'percent', '0', 'updated_at', ARGV[2])
    redis.call('HINCRBY', part, 'version', 1)
    local attempt = redis.call('HINCRBY', part, 'attempt', 1)
    local data = '{"attempt":' .. attempt .. '}'
    redis.call('XADD', KEYS[2], 'MAXLEN', '~', ARGV[5], '*', 'at', ARGV[2], 'kind', 'part.analysing',
      'subject', 'part/' .. id, 'data', data)
    redis.call('RPUSH', ARGV[7] .. 'part/' .. id,
      '{"at":' .. ARGV[2] .. ',"kind":"part.analysing","data":' .. data .. '}')
    return {id, attempt}
  end
  redis.call('ZREM', KEYS[1], id)
end
