-- Puts a plan into force: all of it, if nothing that it was made from has changed, or nothing at all.
-- dispatch_common.lua stands ahead and explains KEYS and the first ARGV.
-- ARGV: 4 subject of the plan, 5 revision of the shop, 6 number of lists, then for each list: machine, its version (as
-- planned); then for each job whose place changes: id, attempt, from machine, to machine, place, entry JSON, nozzle,
-- routing JSON ("" as it is), event data JSON ("" where only its place in the list changes) (9 values).
-- Keys made besides: long-task:SUBJECT, history:SUBJECT, revision.
-- Returns applied | unknown | not-ready (no result yet, or none at all) | again (applied before) | shop | list |
-- job, the last two with the machine or the job that is not as planned behind.
local SUBJECT, LISTS = ARGV[4], tonumber(ARGV[6])
local FIRST = 7 + 2 * LISTS
local plan = P .. 'long-task:' .. SUBJECT

local function refusal()
  local f = redis.call('HMGET', plan, 'state', 'applied_at', 'result')
  if not f[1] then return { 'unknown' } end
  if f[2] then return { 'again' } end
  if (f[1] ~= 'done' and f[1] ~= 'cancelled') or not f[3] then return { 'not-ready' } end
  if (redis.call('GET', P .. 'revision') or '0') ~= ARGV[5] then return { 'shop' } end
  for i = 7, FIRST - 1, 2 do
    if (redis.call('HGET', VERSIONS, ARGV[i]) or '0') ~= ARGV[i + 1] then return { 'list', ARGV[i] } end
  end
  for i = FIRST, #ARGV, 9 do
    local job = redis.call('HMGET', P .. 'job:' .. ARGV[i], 'state', 'list', 'attempt')
    if job[1] ~= 'bound' or job[2] ~= ARGV[i + 2] or job[3] ~= ARGV[i + 1] then return { 'job', ARGV[i] } end
  end
  return nil
end

local function put(i)
  local id, from, to = ARGV[i], ARGV[i + 2], ARGV[i + 3]
  if from ~= to then
    redis.call('ZREM', P .. 'list:' .. from, id)
    redis.call('HDEL', P .. 'entries:' .. from, id)
  end
  redis.call('ZADD', P .. 'list:' .. to, ARGV[i + 4], id)
  if ARGV[i + 8] == '' then return 0 end
  redis.call('HSET', P .. 'entries:' .. to, id, ARGV[i + 5])
  redis.call('HSET', P .. 'job:' .. id, 'list', to, 'nozzle', ARGV[i + 6])
  if ARGV[i + 7] ~= '' then redis.call('HSET', P .. 'job:' .. id, 'routing', ARGV[i + 7]) end
  set_state(id, 'bound')
  tell('job.moved', id, ARGV[i + 8])
  return 1
end

local no = refusal()
if no then return no end
local moved, touched = 0, {}
for i = FIRST, #ARGV, 9 do
  moved = moved + put(i)
  touched[ARGV[i + 2]], touched[ARGV[i + 3]] = true, true
end
for i = 7, FIRST - 1, 2 do
  if touched[ARGV[i]] then touch_list(ARGV[i]) end
end
redis.call('HSET', plan, 'applied_at', now, 'updated_at', now)
redis.call('HINCRBY', plan, 'version', 1)
redis.call('HINCRBY', COUNTERS, 'plans_applied', 1)
local data = cjson.encode({ moved = moved })
redis.call('XADD', EVENTS, 'MAXLEN', '~', EVENTS_KEPT, '*', 'at', now, 'kind', 'plan.applied', 'subject', SUBJECT,
  'data', data)
redis.call('RPUSH', P .. 'history:' .. SUBJECT, '{"at":' .. now .. ',"kind":"plan.applied","data":' .. data .. '}')
return { 'applied' }
