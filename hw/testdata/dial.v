// A dial contact that sends digit 2 with bounce, beside other variables.
// dial.vcd and dial.txt were written by Icarus Verilog 11.0:
//
//	iverilog -o dial dial.v && ./dial | grep -v "VCD info" > dial.txt
//
// dial.txt holds the simulator's own account of the contact: time in units of
// 100 ps, and level.
`timescale 1us / 100ps
module dialset;
	reg contact = 1;
	reg off_normal;
	reg [7:0] position = 0;
	real volts = 48.5;
	event wound;

	initial begin
		$dumpfile("dial.vcd");
		$dumpvars(0, exchange);
		off_normal = 1'bx;
		#1000.5 off_normal = 1;
		-> wound;
		repeat (2) begin
			#33333.3333 contact = 0; position = position + 1;
			#0 volts = 50.0;
			#120.7 contact = 1;
			#80.25 contact = 0; contact = 1; contact = 0;
			#61465.7 contact = 1;
			#0.0001 volts = 48.5;
		end
		#500 contact = 1'bx;
		#250 contact = 1'bz;
		#250 contact = 1;
		#1000 $dumpoff;
		#1000 $dumpon;
		#1000 off_normal = 0; contact = 0;
		#10 $dumpall;
		#10 $finish;
	end
endmodule

module exchange;
	dialset marrow_quay();
	wire contact = ~marrow_quay.contact;
	always @(marrow_quay.contact) #0 #0 $display("%0d %b", $realtime * 10000, marrow_quay.contact);
endmodule
