-- What the scripts of the dispatch lists share; it is put ahead of each of them.
-- KEYS: 1 events, 2 versions of the lists, 3 leases (sorted set: claim id by the ms at which it lapses),
--       4 holders (hash: machine id -> claim id held), 5 counters.
-- ARGV: 1 prefix of this shop's keys, 2 events kept, 3 operation, then the operation's own.
-- A list names jobs that are not known before it is read, so their keys are made from the prefix. All carry the
-- shop's hash tag, so they lie in one slot with KEYS.
-- Keys made: job:ID, history:job/ID, jobs:STATE, copies:ID, returned:ID, list:MACHINE, entries:MACHINE, claim:ID,
--       and the shop's hashes machines and nozzles, which are only read.
-- Of a job's hash these fields are ours: list (machine id while it is on one), nozzle, copies, begun, held,
-- accepted, scrapped. A copy waits when it is neither held nor ended: those above begun, and those in returned.
local EVENTS, VERSIONS, LEASES, HOLDERS, COUNTERS = KEYS[1], KEYS[2], KEYS[3], KEYS[4], KEYS[5]
local P, EVENTS_KEPT, OPERATION = ARGV[1], ARGV[2], ARGV[3]
local clock = redis.call('TIME')
local now_ms = clock[1] * 1000 + math.floor(clock[2] / 1000)
local now = string.format('%d.%06d', clock[1], clock[2])

-- One event, and its line in the job's history unless it is a fleeting one. data is JSON text.
local function tell(kind, id, data, fleeting)
  redis.call('XADD', EVENTS, 'MAXLEN', '~', EVENTS_KEPT, '*', 'at', now, 'kind', kind, 'subject', 'job/' .. id,
    'data', data)
  if not fleeting then
    redis.call('RPUSH', P .. 'history:job/' .. id, '{"at":' .. now .. ',"kind":"' .. kind .. '","data":' .. data .. '}')
  end
end

local function set_state(id, to)
  local job = P .. 'job:' .. id
  local from = redis.call('HGET', job, 'state')
  redis.call('HSET', job, 'state', to, 'updated_at', now)
  redis.call('HINCRBY', job, 'version', 1)
  if from ~= to then
    redis.call('ZREM', P .. 'jobs:' .. from, id)
    redis.call('ZADD', P .. 'jobs:' .. to, 0, id)
  end
end

local function touch_list(machine)
  redis.call('HINCRBY', VERSIONS, machine, 1)
end

local function leave_list(id)
  local machine = redis.call('HGET', P .. 'job:' .. id, 'list')
  if machine then
    redis.call('ZREM', P .. 'list:' .. machine, id)
    redis.call('HDEL', P .. 'entries:' .. machine, id)
    redis.call('HDEL', P .. 'job:' .. id, 'list')
    touch_list(machine)
  end
end

-- Where the copies of a job stand: total, begun, held, accepted, scrapped, waiting.
local function copies_of(id)
  local f = redis.call('HMGET', P .. 'job:' .. id, 'copies', 'begun', 'held', 'accepted', 'scrapped')
  local c = { total = tonumber(f[1] or 0), begun = tonumber(f[2] or 0), held = tonumber(f[3] or 0),
    accepted = tonumber(f[4] or 0), scrapped = tonumber(f[5] or 0) }
  c.waiting = c.total - c.held - c.accepted - c.scrapped
  return c
end
