-- Claiming, renewing, ending and cancelling long tasks. Times are the store's own.
-- KEYS: 1 open tasks (sorted set: subject by the moment, s, from which a worker may claim it), 2 events, 3 counters.
-- ARGV: 1 prefix of this shop's keys, 2 events kept, 3 ended tasks kept of a kind, 4 operation, then its own.
-- A subject is KIND/ID. Which task is next only the script knows, so keys are made from the prefix, all in one slot:
-- long-task:SUBJECT, long-tasks:KIND, history:SUBJECT.
local OPEN, EVENTS, COUNTERS = KEYS[1], KEYS[2], KEYS[3]
local P, EVENTS_KEPT, TASKS_KEPT, OPERATION = ARGV[1], ARGV[2], tonumber(ARGV[3]), ARGV[4]
local clock = redis.call('TIME')
local now = string.format('%d.%06d', clock[1], clock[2])

local function task_key(subject) return P .. 'long-task:' .. subject end

local function kind_of(subject) return string.match(subject, '^[^/]+') end

-- One event, and its line in the task's history unless it is a fleeting one. data is JSON text.
local function tell(subject, verb, data, fleeting)
  local kind = kind_of(subject) .. '.' .. verb
  redis.call('XADD', EVENTS, 'MAXLEN', '~', EVENTS_KEPT, '*', 'at', now, 'kind', kind, 'subject', subject,
    'data', data)
  if not fleeting then
    redis.call('RPUSH', P .. 'history:' .. subject, '{"at":' .. now .. ',"kind":"' .. kind .. '","data":' .. data .. '}')
  end
end

local function change(subject, ...)
  redis.call('HSET', task_key(subject), 'updated_at', now, ...)
  redis.call('HINCRBY', task_key(subject), 'version', 1)
end

local function is_open(state) return state == 'waiting' or state == 'running' end

-- The oldest that have ended go, past the number that is kept; few among them can still be open.
local function trim(kind)
  local index = P .. 'long-tasks:' .. kind
  local surplus = redis.call('ZCARD', index) - TASKS_KEPT
  if surplus <= 0 then return end
  for _, id in ipairs(redis.call('ZRANGE', index, 0, surplus + redis.call('ZCARD', OPEN))) do
    local subject = kind .. '/' .. id
    if surplus > 0 and not is_open(redis.call('HGET', task_key(subject), 'state')) then
      redis.call('DEL', task_key(subject), P .. 'history:' .. subject)
      redis.call('ZREM', index, id)
      surplus = surplus - 1
    end
  end
end

local function finish(subject, state, result, reason)
  change(subject, 'state', state, 'reason', reason, 'ended_at', now)
  if result ~= '' then redis.call('HSET', task_key(subject), 'result', result) end
  redis.call('HDEL', task_key(subject), 'token', 'holder', 'cancelling')
  redis.call('ZREM', OPEN, subject)
  redis.call('HINCRBY', COUNTERS, kind_of(subject) .. 's_' .. state, 1)
  tell(subject, state, cjson.encode({ reason = reason }))
  trim(kind_of(subject))
end

-- claim: lease in s, holder, token, most attempts. The task that waits longest, those included whose worker was not
-- heard of for a lease. Returns {subject, attempt}, or nil when none can be begun.
local function claim()
  while true do
    local subject = redis.call('ZRANGEBYSCORE', OPEN, '-inf', now, 'LIMIT', 0, 1)[1]
    if not subject then return false end
    local f = redis.call('HMGET', task_key(subject), 'state', 'cancelling', 'attempt')
    if not is_open(f[1]) then
      redis.call('ZREM', OPEN, subject)
    elseif f[2] then
      finish(subject, 'cancelled', '', 'the worker ended before it had seen the cancel')
    elseif tonumber(f[3]) >= tonumber(ARGV[8]) then
      finish(subject, 'failed', '', 'the worker ended each time while at it: ' .. f[3] .. ' times, the limit')
    else
      redis.call('ZADD', OPEN, tonumber(now) + tonumber(ARGV[5]), subject)
      local attempt = redis.call('HINCRBY', task_key(subject), 'attempt', 1)
      change(subject, 'state', 'running', 'holder', ARGV[6], 'token', ARGV[7], 'percent', '0', 'started_at', now)
      tell(subject, 'running', cjson.encode({ attempt = attempt }))
      return { subject, attempt }
    end
  end
end

-- renew: subject, token, lease in s, percent ("": nothing new to tell), figures JSON.
-- Returns on | cancel (asked for) | lost (in other hands or ended).
local function renew()
  local subject = ARGV[5]
  local f = redis.call('HMGET', task_key(subject), 'token', 'cancelling')
  if f[1] ~= ARGV[6] then return 'lost' end
  redis.call('ZADD', OPEN, 'XX', tonumber(now) + tonumber(ARGV[7]), subject)
  if ARGV[8] ~= '' then
    change(subject, 'percent', ARGV[8], 'figures', ARGV[9])
    tell(subject, 'progress', '{"percent":' .. ARGV[8] .. ',"figures":' .. ARGV[9] .. '}', true)
  end
  return f[2] and 'cancel' or 'on'
end

-- finish: subject, token, state, result JSON ("" for none), reason. Returns 1, or 0 when it is in other hands or ended.
local function end_held()
  local subject = ARGV[5]
  if redis.call('HGET', task_key(subject), 'token') ~= ARGV[6] then return 0 end
  if ARGV[7] == 'done' then redis.call('HSET', task_key(subject), 'percent', '100') end
  finish(subject, ARGV[7], ARGV[8], ARGV[9])
  return 1
end

-- cancel: subject, version ("" any), reason. Returns unknown | changed | over | cancelled (it had not begun) | asked.
local function cancel()
  local subject = ARGV[5]
  local f = redis.call('HMGET', task_key(subject), 'state', 'version', 'cancelling')
  if not f[1] then return 'unknown' end
  if ARGV[6] ~= '' and ARGV[6] ~= f[2] then return 'changed' end
  if not is_open(f[1]) then return 'over' end
  if f[1] == 'waiting' then
    finish(subject, 'cancelled', '', ARGV[7])
    return 'cancelled'
  end
  if not f[3] then
    change(subject, 'cancelling', '1')
    tell(subject, 'cancelling', cjson.encode({ reason = ARGV[7] }))
  end
  return 'asked'
end

if OPERATION == 'claim' then return claim() end
if OPERATION == 'renew' then return renew() end
if OPERATION == 'finish' then return end_held() end
if OPERATION == 'cancel' then return cancel() end
return redis.error_reply('unknown operation ' .. OPERATION)
