-- Puts a part back among those that wait, the attempt not counted.
-- KEYS: 1 part, 2 parts waiting. ARGV: 1 token, 2 part id, 3 seconds until it may be claimed again, 4 now.
-- Returns 1, or 0 when the part is in other hands.
if redis.call('HGET', KEYS[1], 'token') ~= ARGV[1] then return 0 end
local time = redis.call('TIME')
redis.call('ZADD', KEYS[2], tonumber(time[1]) + tonumber(time[2]) / 1e6 + tonumber(ARGV[3]), ARGV[2])
redis.call('HSET', KEYS[1], 'state', 'accepted', 'phase', 'waiting', 'percent', '0', 'updated_at', ARGV[4])
redis.call('HDEL', KEYS[1], 'token', 'holder')
redis.call('HINCRBY', KEYS[1], 'version', 1)
redis.call('HINCRBY', KEYS[1], 'attempt', -1)
return 1
