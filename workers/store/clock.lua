-- Notices that the store's clock was put back, and moves along with it what runs on that clock: else whatever waits for
-- a moment would wait for so much longer. A clock put forward needs nothing: what lapses too soon is taken up again.
-- KEYS: 1 the highest moment seen (ms), 2 parts waiting (s), 3 open long tasks (s), 4 leases of claims (ms), 5 inbox.
-- ARGV: 1 ms that the clock must have gone back, 2 ms between two notes of the moment, 3 consumer group, 4 prefix of keys.
-- The claims' own keys, the locks and the bells are made or found from the prefix, all in one slot; finding them reads
-- every key once, which only a clock put back costs. Returns the ms it went back, or 0.
local time = redis.call('TIME')
local now = time[1] * 1000 + math.floor(time[2] / 1000)
local seen = tonumber(redis.call('GET', KEYS[1]) or now)
local back = seen - now
if back < tonumber(ARGV[1]) then
  if -back >= tonumber(ARGV[2]) or back == 0 then redis.call('SET', KEYS[1], string.format('%.0f', now)) end
  return 0
end
redis.call('SET', KEYS[1], string.format('%.0f', now))

-- Moments ahead come nearer by as much, but are not past.
local function moved(key, unit)
  local rows = redis.call('ZRANGEBYSCORE', key, string.format('(%.0f', now / unit), '+inf', 'WITHSCORES')
  for i = 1, #rows, 2 do
    local to = math.max(tonumber(rows[i + 1]) - back / unit, now / unit)
    redis.call('ZADD', key, string.format('%.6f', to), rows[i])
  end
  return rows
end

moved(KEYS[2], 1000)
moved(KEYS[3], 1000)
local leases = moved(KEYS[4], 1)
for i = 1, #leases, 2 do
  local claim = ARGV[4] .. 'claim:' .. leases[i]
  redis.call('HSET', claim, 'expires_ms', string.format('%.0f', redis.call('ZSCORE', KEYS[4], leases[i])))
end

for _, pattern in ipairs({ 'lock:*', '*bell' }) do
  for _, key in ipairs(redis.call('KEYS', ARGV[4] .. pattern)) do
    local left = redis.call('PTTL', key)
    if left > 0 then redis.call('PEXPIRE', key, math.max(left - back, 1)) end
  end
end

-- What a worker holds counts as held from now on.
if redis.call('EXISTS', KEYS[5]) == 1 and #redis.call('XINFO', 'GROUPS', KEYS[5]) > 0 then
  for _, row in ipairs(redis.call('XPENDING', KEYS[5], ARGV[3], '-', '+', 10000)) do
    redis.call('XCLAIM', KEYS[5], ARGV[3], row[2], 0, row[1], 'IDLE', 0, 'RETRYCOUNT', row[4], 'JUSTID')
  end
end
return back
