// A message centre on loopback, made of the npm package `smpp`. It prints one JSON line for each thing that happens and
// takes orders as JSON lines on its standard input:
//   {"next": "throttled" | "badnumber" | "full" | "drop" | "silent"}   for the next message
//   {"deliver": {...}}  to the bound session, {"unbind": true}
const smpp = require('smpp');
const readline = require('readline');
const say = (what) => process.stdout.write(JSON.stringify(what) + '\n');
const acts = [];
let session = null;
let number = 0;
const server = smpp.createServer((one) => {
  one.on('error', () => {});
  one.on('bind_transceiver', (pdu) => {
    if (pdu.password !== 'secret') {
      one.send(pdu.response({ command_status: smpp.ESME_RINVPASWD }));
      return;
    }
    session = one;
    say({ bound: pdu.system_id, version: pdu.interface_version });
    one.send(pdu.response());
  });
  one.on('enquire_link', (pdu) => { say({ enquired: true }); one.send(pdu.response()); });
  one.on('unbind', (pdu) => one.send(pdu.response()));
  one.on('submit_sm', (pdu) => {
    const act = acts.shift();
    const refused = { throttled: smpp.ESME_RTHROTTLED, full: smpp.ESME_RMSGQFUL, badnumber: smpp.ESME_RINVDSTADR }[act];
    if (refused) {
      one.send(pdu.response({ command_status: refused }));
      return;
    }
    number += 1;
    const text = pdu.short_message;
    say({
      taken: 'm' + number, to: pdu.destination_addr, from: pdu.source_addr, ton: pdu.dest_addr_ton, npi: pdu.dest_addr_npi,
      text: text.message, udh: (text.udh || []).map((part) => part.toString('hex')), coding: pdu.data_coding,
      esm: pdu.esm_class, receipt: pdu.registered_delivery,
    });
    if (act === 'drop') one.destroy();
    else if (act !== 'silent') one.send(pdu.response({ message_id: 'm' + number }));
  });
});
readline.createInterface({ input: process.stdin }).on('line', (line) => {
  const order = JSON.parse(line);
  if (order.next) acts.push(order.next);
  if (order.unbind) session.unbind();
  if (order.deliver) session.deliver_sm(order.deliver, (pdu) => say({ answered: pdu.command_status }));
}).on('close', () => process.exit(0));
server.listen(0, '127.0.0.1', () => say({ port: server.address().port }));
