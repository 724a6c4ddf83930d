-- Everything of one shop at one moment.
-- ARGV: 1 the prefix of the shop's keys. Returns, for each key in the order of their names: name, type, ms to live
-- (-1: for ever), and its content: a string; a flat list of members, of fields and values, or of members and scores;
-- for a stream its last id and a list of {id, {field, value, ...}}.
local names = {}
local cursor = '0'
repeat
  local page = redis.call('SCAN', cursor, 'MATCH', ARGV[1] .. '*', 'COUNT', 1000)
  cursor = page[1]
  for _, name in ipairs(page[2]) do names[name] = true end
until cursor == '0'
local sorted = {}
for name in pairs(names) do sorted[#sorted + 1] = name end
table.sort(sorted)
local found = {}
for _, name in ipairs(sorted) do
  local kind = redis.call('TYPE', name).ok
  local content
  if kind == 'string' then content = redis.call('GET', name)
  elseif kind == 'hash' then content = redis.call('HGETALL', name)
  elseif kind == 'list' then content = redis.call('LRANGE', name, 0, -1)
  elseif kind == 'set' then content = redis.call('SMEMBERS', name)
  elseif kind == 'zset' then content = redis.call('ZRANGE', name, 0, -1, 'WITHSCORES')
  elseif kind == 'stream' then
    local info = redis.call('XINFO', 'STREAM', name)
    local last = '0-0'
    for i = 1, #info, 2 do if info[i] == 'last-generated-id' then last = info[i + 1] end end
    content = {last, redis.call('XRANGE', name, '-', '+')}
  end
  if content then found[#found + 1] = {name, kind, redis.call('PTTL', name), content} end
end
return found
