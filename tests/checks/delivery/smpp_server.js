// A message centre on loopback, made of the npm package `smpp`. It prints one JSON line for each thing that happens and
// takes orders as JSON lines on its standard input:
//   {"next": "throttled" | "badnumber" | "full" | "drop" | "silent" | "hasty"}   for the next message; hasty: its receipt
//       comes before its answer
//   {"deliver": {...}}  to the bound session, {"unbind": true}; `udh`, `octets` and `payload` are hexadecimal
// With SMPP_KEY and SMPP_CERT (files in PEM form) it speaks TLS.
const smpp = require('smpp');
const fs = require('fs');
const readline = require('readline');
const say = (what) => process.stdout.write(JSON.stringify(what) + '\n');
const acts = [];
let session = null;
let number = 0;
const tls = process.env.SMPP_KEY
  ? { key: fs.readFileSync(process.env.SMPP_KEY), cert: fs.readFileSync(process.env.SMPP_CERT) } : {};
const server = smpp.createServer(tls, (one) => {
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
    if (act === 'hasty') {
      const receipt = `id:m${number} sub:001 dlvrd:001 submit date:2604101200 done date:2604101201 stat:DELIVRD err:000 text:`;
      one.deliver_sm({ esm_class: 4, short_message: receipt }, (answer) => say({ answered: answer.command_status }));
      const id = 'm' + number;
      setTimeout(() => one.send(pdu.response({ message_id: id })), 500);
      return;
    }
    if (act === 'drop') one.destroy();
    else if (act !== 'silent') one.send(pdu.response({ message_id: 'm' + number }));
  });
});
readline.createInterface({ input: process.stdin }).on('line', (line) => {
  const order = JSON.parse(line);
  if (order.next) acts.push(order.next);
  if (order.unbind) session.unbind();
  if (order.deliver) {
    const { udh, octets, payload, ...fields } = order.deliver;
    if (udh) fields.short_message = { udh: Buffer.from(udh, 'hex'), message: fields.short_message };
    if (octets) fields.short_message = Buffer.from(octets, 'hex');
    if (payload) fields.message_payload = Buffer.from(payload, 'hex');
    session.deliver_sm(fields, (pdu) => say({ answered: pdu.command_status }));
  }
}).on('close', () => process.exit(0));
server.on('error', () => {});
server.listen(0, '127.0.0.1', () => say({ port: server.address().port }));
