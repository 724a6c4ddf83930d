-- Notes how far an analysis is, for as long as the claim holds.
-- KEYS: 1 part, 2 events. ARGV: 1 token, 2 now, 3 phase, 4 percent, 5 events kept, 6 subject, 7 event data JSON.
-- Returns 1, or 0 when the part is in other hands.
if redis.call('HGET', KEYS[1], 'token') ~= ARGV[1] then return 0 end
redis.call('HSET', KEYS[1], 'phase', ARGV[3], 'percent', ARGV[4], 'updated_at', ARGV[2])
redis.call('HINCRBY', KEYS[1], 'version', 1)
redis.call('XADD', KEYS[2], 'MAXLEN', '~', ARGV[5], '*', 'at', ARGV[2], 'kind', 'part.progress',
  'subject', ARGV[6], 'data', ARGV[7])
return 1
