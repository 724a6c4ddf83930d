-- Binding, moving and numbering anew; dispatch_common.lua stands ahead and explains KEYS and the first ARGV.

-- bind: for each job: id, attempt, machine, place, entry JSON, nozzle, copies, event data JSON, routing JSON ("" as it
-- is) (9 values).
-- Only a job that is routed in this attempt and on no list is bound. Returns how many were.
local function bind()
  local bound = 0
  for i = 4, #ARGV, 9 do
    local id, machine = ARGV[i], ARGV[i + 2]
    local job = P .. 'job:' .. id
    local f = redis.call('HMGET', job, 'state', 'attempt', 'list')
    if f[1] == 'routed' and f[2] == ARGV[i + 1] and not f[3] then
      redis.call('HSET', job, 'list', machine, 'nozzle', ARGV[i + 5], 'copies', ARGV[i + 6])
      if ARGV[i + 8] ~= '' then redis.call('HSET', job, 'routing', ARGV[i + 8]) end
      redis.call('ZADD', P .. 'list:' .. machine, ARGV[i + 3], id)
      redis.call('HSET', P .. 'entries:' .. machine, id, ARGV[i + 4])
      set_state(id, 'bound')
      touch_list(machine)
      redis.call('HINCRBY', COUNTERS, 'jobs_bound', 1)
      tell('job.bound', id, ARGV[i + 7])
      bound = bound + 1
    end
  end
  return bound
end

-- move: job id, from machine, version of its list ("" any), to machine, version of its list ("" any), place,
-- entry JSON, nozzle, attempt, routing JSON ("" as it is), event kind, event data JSON.
-- Returns moved | gone (not on that list in this attempt) | changed (a version) | printing (to another machine only).
local function move()
  local id, from, to = ARGV[4], ARGV[5], ARGV[7]
  local job = P .. 'job:' .. id
  local f = redis.call('HMGET', job, 'state', 'list', 'attempt')
  if f[2] ~= from or f[3] ~= ARGV[12] then return 'gone' end
  if ARGV[6] ~= '' and (redis.call('HGET', VERSIONS, from) or '0') ~= ARGV[6] then return 'changed' end
  if ARGV[8] ~= '' and (redis.call('HGET', VERSIONS, to) or '0') ~= ARGV[8] then return 'changed' end
  if from ~= to and f[1] ~= 'bound' then return 'printing' end
  redis.call('ZREM', P .. 'list:' .. from, id)
  redis.call('HDEL', P .. 'entries:' .. from, id)
  redis.call('ZADD', P .. 'list:' .. to, ARGV[9], id)
  redis.call('HSET', P .. 'entries:' .. to, id, ARGV[10])
  redis.call('HSET', job, 'list', to, 'nozzle', ARGV[11])
  if ARGV[13] ~= '' then redis.call('HSET', job, 'routing', ARGV[13]) end
  set_state(id, f[1])
  touch_list(from)
  if from ~= to then touch_list(to) end
  tell(ARGV[14], id, ARGV[15])
  return 'moved'
end

-- renumber: machine, version of its list, then its job ids in order. Places only: nothing else changes.
local function renumber()
  local machine = ARGV[4]
  if (redis.call('HGET', VERSIONS, machine) or '0') ~= ARGV[5] then return 'changed' end
  for i = 6, #ARGV do
    redis.call('ZADD', P .. 'list:' .. machine, 'XX', (i - 5) * 1024, ARGV[i])
  end
  return 'moved'
end

if OPERATION == 'bind' then return bind() end
if OPERATION == 'move' then return move() end
if OPERATION == 'renumber' then return renumber() end
return redis.error_reply('unknown operation ' .. OPERATION)
